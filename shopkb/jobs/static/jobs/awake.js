// Keeps the screen on while a step is open. The lock falls when the page is hidden and is asked for again on return.
"use strict";
(() => {
  if (!("wakeLock" in navigator)) return;
  let asking = false;
  const ask = async () => {
    if (asking || document.visibilityState !== "visible") return;
    asking = true;
    try {
      await navigator.wakeLock.request("screen");
    } catch {
      // A low battery may refuse it; the page works without.
    } finally {
      asking = false;
    }
  };
  document.addEventListener("visibilitychange", ask);
  ask();
})();
