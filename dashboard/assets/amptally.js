// What people do, turned into the stores of a page and into its address. dashboard/address.py reads the same form.
(function () {
  "use strict";

  var dark = window.matchMedia("(prefers-color-scheme: dark)");
  var narrow = window.matchMedia("(max-width: 40rem)");

  function themeNow() {
    return document.documentElement.dataset.theme || (dark.matches ? "dark" : "light");
  }

  function screenNow() {
    return { theme: themeNow(), narrow: narrow.matches };
  }

  [dark, narrow].forEach(function (query) {
    query.addEventListener("change", function () {
      window.dash_clientside.set_props("screen", { data: screenNow() });
    });
  });

  // A link to a moment moves the traces on this page; with a key held, or in a new tab, it is a link like any other.
  document.addEventListener("click", function (event) {
    var link = event.target.closest && event.target.closest("a.moment");
    if (link && !event.ctrlKey && !event.metaKey && !event.shiftKey && event.button === 0) {
      event.preventDefault();
    }
  });

  function time(value) {
    return String(Math.round(value * 1000) / 1000);
  }

  function query(view, part, detail) {
    var said = [];
    if (part) {
      said.push("from=" + time(part[0]), "to=" + time(part[1]));
    }
    if (view.see) {
      said.push("see_from=" + time(view.see[0]), "see_to=" + time(view.see[1]));
    }
    if (view.show) {
      said.push("show=" + view.show.map(encodeURIComponent).join(","));
    }
    ["fuse", "lap", "across"].forEach(function (name) {
      if (detail[name]) {
        said.push(name + "=" + encodeURIComponent(detail[name]));
      }
    });
    return said.length ? "?" + said.join("&") : "";
  }

  function rounded(from, to) {
    return [Math.round(from * 1000) / 1000, Math.round(to * 1000) / 1000];
  }

  // Both ends inside the run, and never less than a millisecond apart.
  function inside(span, ends) {
    var from = Math.max(Math.min(span[0], span[1]), ends[0]);
    var to = Math.min(Math.max(span[0], span[1]), ends[1]);
    return to - from >= 0.001 ? rounded(from, to) : null;
  }

  // A stretch of the same length moved back into the run.
  function shifted(span, by, ends) {
    var length = span[1] - span[0];
    var from = Math.min(Math.max(span[0] + by, ends[0]), Math.max(ends[1] - length, ends[0]));
    return inside([from, from + length], ends);
  }

  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    amptally: {
      screen: function (clicks) {
        if (clicks) {
          var next = themeNow() === "dark" ? "light" : "dark";
          document.documentElement.dataset.theme = next;
          try {
            window.localStorage.setItem("amptally-theme", next);
          } catch (_) {
            // The choice then holds for this page alone.
          }
        }
        return screenNow();
      },

      // What stands further down waits until the traces are drawn: answers and traces come first.
      later: function (computed) {
        return new Promise(function (resolve) {
          var looks = 0;
          (function look() {
            var words = document.getElementById("view-words");
            looks += 1;
            if ((words && words.textContent) || looks > 100) {
              window.setTimeout(function () { resolve(computed); }, 50);
            } else {
              window.setTimeout(look, 30);
            }
          })();
        });
      },

      navigate: function (
        relayout, brushed, closer, wider, earlier, later, seeAll, computeView, wholeRun, computeTyped,
        moments, lapPicks, lanes, fuse, across,
        view, part, detail, ends, typedFrom, typedTo
      ) {
        var nothing = window.dash_clientside.no_update;
        var context = window.dash_clientside.callback_context;
        if (!context.triggered.length || !ends) {
          return [nothing, nothing, nothing];
        }
        var trigger = context.triggered_id;
        var value = context.triggered[0].value;
        var newView = Object.assign({}, view);
        var newPart = part;
        var newDetail = Object.assign({}, detail);
        var all = part || ends;
        var see = (view.see && inside(view.see, ends)) || inside(all, ends) || ends;
        var length = see[1] - see[0];
        var middle = 0.5 * (see[0] + see[1]);

        if (trigger === "traces") {
          if (!value) {
            return [nothing, nothing, nothing];
          }
          if (value["xaxis.autorange"]) {
            newView.see = null;
          } else if (value["xaxis.range[0]"] !== undefined) {
            newView.see = inside([value["xaxis.range[0]"], value["xaxis.range[1]"]], ends);
          } else if (Array.isArray(value["xaxis.range"])) {
            newView.see = inside(value["xaxis.range"], ends);
          } else {
            return [nothing, nothing, nothing];
          }
        } else if (trigger === "overview") {
          var range = value && value.range && value.range.x;
          if (!range) {
            return [nothing, nothing, nothing];
          }
          newPart = inside(range, ends);
          newView.see = null;
        } else if (trigger === "closer") {
          newView.see = inside([middle - length / 4, middle + length / 4], ends);
        } else if (trigger === "wider") {
          newView.see = inside([middle - length, middle + length], ends);
        } else if (trigger === "earlier") {
          newView.see = shifted(see, -length / 2, ends);
        } else if (trigger === "later") {
          newView.see = shifted(see, length / 2, ends);
        } else if (trigger === "see-all") {
          newView.see = null;
        } else if (trigger === "compute-view") {
          newPart = see;
          newView.see = null;
        } else if (trigger === "whole-run") {
          newPart = null;
          newView.see = null;
        } else if (trigger === "compute-typed") {
          var from = typeof typedFrom === "number" ? typedFrom : ends[0];
          var to = typeof typedTo === "number" ? typedTo : ends[1];
          newPart = inside([from, to], ends) || part;
          newView.see = null;
        } else if (trigger === "lanes") {
          newView.show = value || [];
        } else if (trigger === "fuse") {
          newDetail.fuse = value === "tightest" ? null : value;
        } else if (trigger && trigger.type === "across") {
          newDetail.across = value;
        } else if (trigger && trigger.type === "lap" && value) {
          newDetail.lap = trigger.number;
        } else if (trigger && trigger.type === "moment" && value) {
          newView.see = inside([trigger.from, trigger.to], ends);
          document.getElementById("traces-part").scrollIntoView({ block: "start" });
        } else {
          return [nothing, nothing, nothing];
        }
        if (newPart && newPart[0] <= ends[0] + 0.0005 && newPart[1] >= ends[1] - 0.0005) {
          newPart = null;
        }
        window.history.replaceState(
          window.history.state, "", window.location.pathname + query(newView, newPart, newDetail)
        );
        var changed = function (before, after) {
          return JSON.stringify(before) !== JSON.stringify(after);
        };
        return [
          changed(view, newView) ? newView : nothing,
          changed(part, newPart) ? newPart : nothing,
          changed(detail, newDetail) ? newDetail : nothing
        ];
      }
    }
  });
})();
