// Search in a page that was opened from the disk, where browsers refuse workers: the worker's
// script runs in a hidden frame instead.
if (location.protocol === "file:") {
  window.Worker = class extends EventTarget {
    constructor(url) {
      super();
      this.waiting = [];
      const frame = document.createElement("iframe");
      frame.hidden = true;
      frame.title = "search";
      document.body.append(frame);
      this.inside = frame.contentWindow;
      this.inside.postMessage = (data) =>
        this.dispatchEvent(new MessageEvent("message", { data }));
      const script = frame.contentDocument.createElement("script");
      script.src = url;
      script.onload = () => {
        const waiting = this.waiting;
        this.waiting = null;
        waiting.forEach((data) => this.postMessage(data));
      };
      frame.contentDocument.body.append(script);
    }
    postMessage(data) {
      if (this.waiting) this.waiting.push(data);
      else this.inside.dispatchEvent(new this.inside.MessageEvent("message", { data }));
    }
  };
}
