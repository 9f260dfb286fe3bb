"""How well colour is refused under blue lamps and given in white light, whatever the print.

``python -m bench.colour_gate [COUNT]`` photographs card patches as spectra: random sensors and
two measured ones, with and without a phone's colour matrix, tone curves, saturation, white
balances and noise; cards printed with 0, 3, 6 and 9 dE RMS error, seen for the first time. It fits
the weights of `polypward_vision.colour.gate` on sensors other than those it judges, and prints what
they and the weights in use do. No picture is rendered, so 400 photos take some ten seconds.
"""

import sys
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from phantoms.cameras import SENSORS, _sensitivities
from phantoms.cardprint import printed_labs
from phantoms.lights import actinic, lamp
from phantoms.scene import Printed
from phantoms.spectra import WAVELENGTHS_NM, reflectance, xyz_matrix
from polypward.cards import load_layout
from polypward_vision.colour import gate
from polypward_vision.colour.correct import ColourFit, fit_colour
from polypward_vision.colour.patches import PatchSamples
from polypward_vision.colour.science import SRGB_TO_XYZ_D50, linear_to_srgb
from polypward_vision.photo import DecodedPhoto

Array = npt.NDArray[np.float64]
WHITES = ("LED-B1", "LED-B2", "LED-B3", "LED-B4", "LED-B5", "LED-V1", "LED-V2",
          "D50", "D55", "D60", "D65", "D75")  # fmt: skip
BLUE_SHARES = (0.25, 0.5, 0.65, 0.75, 0.8, 0.85, 0.9, 0.95, 1.0)
ERRORS = (0.0, 3.0, 6.0, 9.0)
TO_SRGB = np.linalg.inv(SRGB_TO_XYZ_D50)


@dataclass(frozen=True, kw_only=True)
class Shot:
    """One simulated photo of a card."""

    sensor: str
    lamp: str
    blue: float  # share of radiant power
    matrix: bool  # the camera applied a colour matrix
    error_de: float
    layout: str
    fit: ColourFit


def sensors(rng: np.random.Generator, count: int) -> dict[str, Array]:
    """(31, 3) sensitivities: measured ones, invented ones, and random dye filters."""
    found = {name: _sensitivities(name) for name in SENSORS}
    measured = found[SENSORS[0]] / found[SENSORS[0]].max()
    for index in range(count):
        peaks = rng.uniform((588, 524, 446), (615, 546, 474))
        widths = rng.uniform((26, 34, 22), (44, 46, 32))
        leak = rng.uniform(0.02, 0.12)
        curves = np.exp(-0.5 * ((WAVELENGTHS_NM[:, None] - peaks) / widths) ** 2)
        curves = (1 - leak) * curves + leak * curves.mean(axis=1, keepdims=True)
        found[f"random-{index}"] = 0.5 * (curves + measured) if index % 4 == 3 else curves
    return found


def lamps() -> list[tuple[str, float, Array]]:
    """Name, share of blue and spectrum (31,) of every lamp."""
    every = [(name, 0.0, lamp(name).spectrum) for name in WHITES]
    for share in BLUE_SHARES:
        for white in ("LED-B1", "LED-B3", "LED-B5", "D65"):
            mixed = (1 - share) * lamp(white).spectrum + share * actinic().spectrum
            every.append((f"{white}+blue-{100 * share:.0f}", share, mixed))
    return every


def _balanced(sensor: Array, light: Array, most: float) -> tuple[Array, Array]:
    raw = sensor / sensor.sum(axis=0) * light[:, None]
    white = raw.sum(axis=0)
    gains = white.max() / np.maximum(white, white.max() / most)
    return raw * gains / white.max(), gains


def _camera_matrix(sensor: Array) -> Array:
    """Camera RGB under D55 to linear sRGB, white kept; ``srgb = raw @ matrix``."""
    rng = np.random.default_rng(5)
    labs = np.stack([rng.uniform(25, 85, 90), rng.normal(0, 22, 90), rng.normal(5, 25, 90)], axis=1)
    spectra = np.stack([_reflectance(lab) for lab in labs])
    camera = spectra @ _balanced(sensor, lamp("D55").spectrum, np.inf)[0]
    wanted = spectra @ xyz_matrix() @ TO_SRGB.T
    base = camera[:, 1:2]
    free, *_ = np.linalg.lstsq(camera[:, [0, 2]] - base, wanted - base, rcond=None)
    return np.stack([free[0], 1 - free.sum(axis=0), free[1]])


def _reflectance(lab: Array) -> Array:
    return reflectance((float(np.clip(lab[0], 3, 98)), float(lab[1]), float(lab[2])))


def _tone(linear: Array, kind: int, strength: float) -> Array:
    """Display values 0..1: sRGB, a gamma, an S on top of sRGB, or a film-like shoulder."""
    v = np.clip(linear, 0, 1)
    if kind == 0:
        return np.asarray(linear_to_srgb(v))
    if kind == 1:
        return np.asarray(v ** (1 / (1.9 + 0.6 * strength)))
    if kind == 2:
        s = np.asarray(linear_to_srgb(v))
        return np.asarray(s + 0.35 * strength * s * (1 - s) * (2 * s - 1) * 1.6)
    most = 1 + strength * 1.5
    shoulder = v * most / (1 + v * most) * (1 + 1 / most)
    return np.asarray(linear_to_srgb(np.clip(shoulder, 0, 1)))


def photographs(count: int, *, seed: int = 1, extra_sensors: int = 24) -> list[Shot]:
    """Take `count` photos of cards at random, white and blue about alike."""
    rng = np.random.default_rng(seed)
    eyes = sensors(rng, extra_sensors)
    matrices = {name: _camera_matrix(eye) for name, eye in eyes.items()}
    lights = lamps()
    chances = np.array([2.5 if share == 0 else 1.0 for _, share, _ in lights])
    prints = [
        (layout, error, [_reflectance(lab) for lab in printed_labs(
            Printed(card=load_layout(layout), error_de=error, seed=number))])
        for layout in ("frame", "strip") for error in ERRORS for number in range(8)
    ]  # fmt: skip
    names = list(eyes)
    weight = np.array([3.0 if name in SENSORS else 1.0 for name in names])
    shots = []
    for _ in range(count):
        name = names[rng.choice(len(names), p=weight / weight.sum())]
        lamp_name, share, light = lights[rng.choice(len(lights), p=chances / chances.sum())]
        layout, error, spectra = prints[rng.integers(len(prints))]
        with_matrix = bool(rng.random() < 0.75)
        response, gains = _balanced(eyes[name], light, float(rng.choice([np.inf, 8.0, 4.0])))
        card = replace(load_layout(layout), serial="")
        middle = np.array([p.centre_mm for p in card.patches]) / np.array(card.size_mm) - 0.5
        uneven = np.exp(middle @ rng.normal(0, 0.12, 2))[:, None]
        raw = np.stack(spectra) @ response * uneven * rng.uniform(0.55, 0.9)
        # Mean of some 400 independent samples of a patch, so a twentieth of a pixel's noise.
        electrons = rng.uniform(3000, 12000)
        sd = np.sqrt(np.maximum(raw, 0) * gains / electrons + (4 * gains / electrons) ** 2)
        pixels = raw[:, None] + sd[:, None] * rng.standard_normal((len(raw), 60, 3))
        pixels = np.clip(pixels, 0, 1)
        if with_matrix:
            pixels = pixels @ matrices[name]
        pixels = np.clip(pixels, 0, 1)
        value = _tone(pixels, int(rng.integers(4)), float(rng.uniform(0, 1)))
        if with_matrix:
            luma = value @ np.array([0.299, 0.587, 0.114])
            value = luma[..., None] + rng.uniform(1.0, 1.3) * (value - luma[..., None])
        value = np.round(np.clip(value, 0, 1) * 255).astype(np.uint8)
        shots.append(
            Shot(sensor=name, lamp=lamp_name, blue=share, matrix=with_matrix, error_de=error,
                 layout=layout, fit=_fit(value, card))
        )  # fmt: skip
    return shots


def _fit(values: npt.NDArray[np.uint8], card: object) -> ColourFit:
    photo = DecodedPhoto(rgb=values[:1], full_size=(1, 1))
    linear = photo.icc.to_linear(values).astype(np.float64)
    samples = PatchSamples(
        linear=linear.mean(axis=1),
        noise=linear.std(axis=1),
        high=(values >= 250).any(axis=2).mean(axis=1) * (linear.mean(axis=1).max(axis=1) > 0.9),
        low=(values <= 5).any(axis=2).mean(axis=1),
        inside=np.ones(len(values), bool),
        even=np.ones(len(values), bool),
    )
    return fit_colour(photo, samples, card)  # type: ignore[arg-type]


def table(shots: list[Shot], refused: npt.NDArray[np.bool_], title: str) -> None:
    """Print the share refused, by share of blue and print error."""
    print(f"\n{title}: share refused")
    print("blue   " + "".join(f"  {error:4.0f} dE" for error in ERRORS) + "   all  (photos)")
    for share in (0.0, *BLUE_SHARES):
        mine = np.array([shot.blue == share for shot in shots])
        cells = []
        for error in ERRORS:
            some = mine & np.array([shot.error_de == error for shot in shots])
            cells.append(f"  {refused[some].mean():7.3f}" if some.any() else "        -")
        print(f"{share:5.0%}  " + "".join(cells) + f"  {refused[mine].mean():.3f}  ({mine.sum()})")


def fit_weights(shots: list[Shot]) -> None:
    """Fit the blue score by logistic regression and print how it does on sensors left out."""
    from sklearn.linear_model import LogisticRegression

    used = [shot for shot in shots if shot.fit.shares is not None]
    x = np.array([gate.blue_terms(shot.fit.shares) for shot in used])  # type: ignore[arg-type]
    blue = np.array([shot.blue for shot in used])
    train = (blue == 0) | (blue >= 0.75)
    names = np.array([shot.sensor for shot in used])
    every = sorted(set(names))
    score = np.zeros(len(used))
    for part in range(6):
        left = np.isin(names, every[part::6])
        model = LogisticRegression(C=10, class_weight="balanced", max_iter=5000)
        model.fit(x[train & ~left], blue[train & ~left] >= 0.75)
        score[left] = model.decision_function(x[left])
    print("\nleft-out sensors: quantiles of the blue score")
    for share in (0.0, *BLUE_SHARES):
        row = np.quantile(score[blue == share], [0.01, 0.05, 0.5, 0.95, 0.99])
        print(f"{share:5.0%}  " + " ".join(f"{value:7.2f}" for value in row))
    model = LogisticRegression(C=10, class_weight="balanced", max_iter=5000)
    model.fit(x[train], blue[train] >= 0.75)
    print(
        "weights",
        np.round(model.coef_[0], 2).tolist(),
        "constant",
        round(float(model.intercept_[0]), 2),
    )


def main() -> None:
    """Print the tables."""
    shots = photographs(int(sys.argv[1]) if len(sys.argv) > 1 else 400)
    refused = np.array([shot.fit.grade == "refused" for shot in shots])
    table(shots, refused, "all sensors")
    raw = np.array([not shot.matrix for shot in shots])
    table([s for s, r in zip(shots, raw, strict=True) if r], refused[raw], "without colour matrix")
    table(
        [s for s, r in zip(shots, raw, strict=True) if not r], refused[~raw], "with colour matrix"
    )
    fit_weights(shots)


if __name__ == "__main__":
    main()
