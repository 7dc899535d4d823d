// Runs before the page is drawn, so that a chosen theme does not flash. Without a choice the system decides.
(function () {
  "use strict";
  var chosen = null;
  try {
    chosen = window.localStorage.getItem("amptally-theme");
  } catch (_) {
    // Storage may be forbidden; the system's theme is used then.
  }
  if (chosen === "light" || chosen === "dark") {
    document.documentElement.dataset.theme = chosen;
  }
})();
