/* Two comforts; the pages are whole without it. Asks nothing of any network. */
"use strict";

// Two visits over each other, with a line between them that can be moved.
for (const part of document.querySelectorAll(".in-time")) {
  const box = part.querySelector(".compare");
  const cuts = [...part.querySelectorAll(".strip figure")];
  if (!box || cuts.length < 2) continue;
  const stage = box.querySelector(".stage"), range = box.querySelector("input");
  const panes = [stage.querySelector(".left"), stage.querySelector(".right")];
  const picks = [...box.querySelectorAll("select")];
  const told = cuts.map((one) =>
    [...one.querySelector("figcaption").childNodes].map((node) => node.textContent).join("\n"));
  const days = told.map((text) => text.split("\n")[0]);
  const names = days.map((day, n) => {
    const before = days.slice(0, n).filter((other) => other === day).length;
    return before ? `${day} (${before + 1})` : day;
  });

  const put = (side) => {
    const one = cuts[picks[side].selectedIndex];
    const cut = one.querySelector(".cut").cloneNode(true);
    cut.querySelector("img").loading = "eager";
    cut.style.aspectRatio = "";
    const note = document.createElement("span");
    note.className = "note";
    note.textContent = told[picks[side].selectedIndex];
    panes[side].replaceChildren(cut, note);
    say();
  };
  const say = () => {
    stage.style.setProperty("--at", range.value + "%");
    const [left, right] = picks.map((pick) => names[pick.selectedIndex]);
    range.setAttribute("aria-valuetext",
      `${range.value} % of the width is ${left}, the rest ${right}`);
  };
  const drag = (event) => {
    const frame = stage.getBoundingClientRect();
    const share = (event.clientX - frame.left) / frame.width;
    range.value = Math.round(100 * Math.min(1, Math.max(0, share)));
    say();
  };

  picks.forEach((pick, side) => {
    names.forEach((name) => pick.add(new Option(name)));
    pick.selectedIndex = side ? cuts.length - 1 : 0;
    pick.addEventListener("change", () => put(side));
  });
  range.addEventListener("input", say);
  stage.addEventListener("pointerdown", (event) => {
    stage.setPointerCapture(event.pointerId);
    drag(event);
  });
  stage.addEventListener("pointermove", (event) => {
    if (stage.hasPointerCapture(event.pointerId)) drag(event);
  });
  put(0);
  put(1);
  box.hidden = false;
  part.classList.add("compared");
}

// The table of all specimens: only the rows that have every word in them.
const find = document.getElementById("find");
if (find) {
  const rows = [...document.querySelectorAll(".found-in tr")];
  const texts = rows.map((row) => row.textContent.toLowerCase());
  const found = document.querySelector(".found");
  find.addEventListener("input", () => {
    const words = find.value.toLowerCase().split(/\s+/).filter(Boolean);
    let count = 0;
    rows.forEach((row, n) => {
      row.hidden = !words.every((word) => texts[n].includes(word));
      count += !row.hidden;
    });
    found.textContent = words.length ? `${count} of ${rows.length}` : "";
  });
  find.closest(".filter").hidden = false;
}

// Paper shows the details too.
addEventListener("beforeprint", () => {
  for (const one of document.querySelectorAll("details.deep")) one.open = true;
});
