// The camera as a scanner, where the browser can read codes; elsewhere the button stays hidden.
"use strict";

(() => {
  const PAUSE_MS = 150;

  async function start(form) {
    const view = form.querySelector("[data-viewfinder]");
    const video = view.querySelector("video");
    const says = view.querySelector("[data-camera-says]");
    view.hidden = false;
    let stream;
    try {
      stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
    } catch {
      says.textContent = "The camera may not be used here. Type the bin's code instead.";
      return;
    }
    video.srcObject = stream;
    await video.play();
    says.textContent = "Hold the label's code before the camera.";
    const detector = new BarcodeDetector({ formats: ["qr_code"] });
    const stop = () => stream.getTracks().forEach((track) => track.stop());
    const look = async () => {
      if (!form.isConnected) {
        stop();
        return;
      }
      const found = await detector.detect(video).catch(() => []);
      if (found.length) {
        stop();
        form.querySelector("[data-scan]").value = found[0].rawValue;
        form.requestSubmit();
        return;
      }
      setTimeout(look, PAUSE_MS);
    };
    look();
  }

  // A browser may have the detector and yet no decoder behind it: then no code would ever be found.
  async function reads() {
    if (!("BarcodeDetector" in window) || !navigator.mediaDevices) return false;
    const formats = await BarcodeDetector.getSupportedFormats().catch(() => []);
    return formats.includes("qr_code");
  }

  async function offer(root) {
    const form = root.querySelector("[data-scan-form]");
    if (!form || !(await reads())) return;
    const button = form.querySelector("[data-camera]");
    button.hidden = false;
    button.addEventListener("click", () => start(form), { once: true });
  }

  offer(document);
})();
