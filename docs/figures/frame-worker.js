/* A page that was opened from a folder may start no worker thread; the search then runs in a hidden frame instead. Own work. */
(function () {
  "use strict";
  if (location.protocol !== "file:") return;
  window.Worker = class extends EventTarget {
    constructor(url) {
      super();
      this.onmessage = null;
      const frame = document.createElement("iframe");
      frame.hidden = true;
      this.frame = frame;
      document.body.appendChild(frame);
      const inside = frame.contentWindow;
      const load = (source) =>
        new Promise((done) => {
          const script = inside.document.createElement("script");
          script.src = source;
          script.onload = done;
          script.onerror = (event) => this.dispatchEvent(new ErrorEvent("error", { message: String(source) }));
          inside.document.body.appendChild(script);
        });
      inside.document.open();
      inside.document.write("<!doctype html><html><body></body></html>");
      inside.document.close();
      inside.postMessage = (data) => {
        const event = new MessageEvent("message", { data });
        this.dispatchEvent(event);
        if (this.onmessage) this.onmessage(event);
      };
      inside.importScripts = (...urls) => urls.reduce((before, one) => before.then(() => load(one)), Promise.resolve());
      this.ready = load(new URL(url, location.href).href);
    }
    postMessage(data) {
      const inside = this.frame.contentWindow;
      this.ready.then(() => {
        const event = new inside.MessageEvent("message", { data });
        inside.dispatchEvent(event);
        if (inside.onmessage) inside.onmessage(event);
      });
    }
    terminate() {
      this.frame.remove();
    }
  };
})();
