// Before the first paint: the display that was chosen last, so that a night screen never flashes white.
try {
  const kept = localStorage.getItem("display");
  if (kept === "night" || kept === "sun") document.documentElement.dataset.display = kept;
} catch { /* a browser that keeps nothing shows the sun display */ }
