// User actions become the address of a page and its stores. dashboard/address.py reads the same form.
// The address is the state: it is read, changed and written at once, so that no action is lost while a page loads.
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

  function time(value) {
    return String(Math.round(value * 1000) / 1000);
  }

  function span(params, first, second) {
    var from = parseFloat(params.get(first));
    var to = parseFloat(params.get(second));
    return isFinite(from) && isFinite(to) && to > from ? [from, to] : null;
  }

  function readAddress() {
    var params = new URLSearchParams(window.location.search);
    return {
      view: {
        see: span(params, "see_from", "see_to"),
        show: params.has("show") ? params.get("show").split(",").filter(Boolean) : null
      },
      part: span(params, "from", "to"),
      detail: { fuse: params.get("fuse"), lap: parseInt(params.get("lap"), 10) || null, across: params.get("across") }
    };
  }

  function query(state) {
    var params = [];
    if (state.part) {
      params.push("from=" + time(state.part[0]), "to=" + time(state.part[1]));
    }
    if (state.view.see) {
      params.push("see_from=" + time(state.view.see[0]), "see_to=" + time(state.view.see[1]));
    }
    if (state.view.show) {
      params.push("show=" + state.view.show.map(encodeURIComponent).join(","));
    }
    ["fuse", "lap", "across"].forEach(function (name) {
      if (state.detail[name]) {
        params.push(name + "=" + encodeURIComponent(state.detail[name]));
      }
    });
    return params.length ? "?" + params.join("&") : "";
  }

  // Both ends inside the run, and never less than a millisecond apart.
  function inside(wanted, ends) {
    var from = Math.max(Math.min(wanted[0], wanted[1]), ends[0]);
    var to = Math.min(Math.max(wanted[0], wanted[1]), ends[1]);
    return to - from >= 0.001 ? [Math.round(from * 1000) / 1000, Math.round(to * 1000) / 1000] : null;
  }

  // A stretch of the same length moved back into the run.
  function shifted(wanted, by, ends) {
    var length = wanted[1] - wanted[0];
    var from = Math.min(Math.max(wanted[0] + by, ends[0]), Math.max(ends[1] - length, ends[0]));
    return inside([from, from + length], ends);
  }

  function typed(name) {
    var field = document.querySelector("input#" + name + ", #" + name + " input");
    var value = field ? parseFloat(field.value) : NaN;
    return isFinite(value) ? value : null;
  }

  // Applies one action to the state; false where it changes nothing.
  function changed(id, value, state, ends) {
    var see = (state.view.see && inside(state.view.see, ends)) || (state.part && inside(state.part, ends)) || ends;
    var length = see[1] - see[0];
    var middle = 0.5 * (see[0] + see[1]);
    if (value === undefined || value === null) {
      return false;
    }
    switch (id.type) {
      case "traces":
        if (value["xaxis.autorange"]) {
          state.view.see = null;
        } else if (value["xaxis.range[0]"] !== undefined) {
          state.view.see = inside([value["xaxis.range[0]"], value["xaxis.range[1]"]], ends);
        } else if (Array.isArray(value["xaxis.range"])) {
          state.view.see = inside(value["xaxis.range"], ends);
        } else {
          return false;
        }
        return true;
      case "overview":
        if (!value.range || !value.range.x) {
          return false;
        }
        state.part = inside(value.range.x, ends);
        state.view.see = null;
        return true;
      case "zoom-in":
        state.view.see = inside([middle - length / 4, middle + length / 4], ends) || see;
        return true;
      case "zoom-out":
        state.view.see = inside([middle - length, middle + length], ends);
        return true;
      case "earlier":
        state.view.see = shifted(see, -length / 2, ends);
        return true;
      case "later":
        state.view.see = shifted(see, length / 2, ends);
        return true;
      case "fit":
        state.view.see = null;
        return true;
      case "compute-view":
        state.part = see;
        state.view.see = null;
        return true;
      case "whole-run":
        state.part = null;
        state.view.see = null;
        return true;
      case "compute-typed":
        var from = typed("type-from");
        var to = typed("type-to");
        state.part = inside([from === null ? ends[0] : from, to === null ? ends[1] : to], ends) || state.part;
        state.view.see = null;
        return true;
      case "lanes":
        state.view.show = value;
        return true;
      case "fuse":
        state.detail.fuse = value === "tightest" ? null : value;
        return true;
      case "across":
        state.detail.across = value === "usual" ? null : value;
        return true;
      case "lap":
        state.detail.lap = id.number;
        return true;
      case "moment":
        state.view.see = inside([id.from, id.to], ends);
        document.getElementById("traces-part").scrollIntoView({ block: "start" });
        return true;
      default:
        return false;
    }
  }

  // Change the address (in place, since a zoom is not worth a step back) and the stores that differ.
  function act(id, value) {
    var main = document.querySelector("main[data-ends]");
    if (!main) {
      return;
    }
    var ends = main.dataset.ends.split(",").map(Number);
    var before = readAddress();
    var state = readAddress();
    if (!changed(id, value, state, ends)) {
      return;
    }
    if (state.part && state.part[0] <= ends[0] + 0.001 && state.part[1] >= ends[1] - 0.001) {
      state.part = null;
    }
    window.history.replaceState(window.history.state, "", window.location.pathname + query(state));
    ["view", "part", "detail"].forEach(function (name) {
      if (JSON.stringify(before[name]) !== JSON.stringify(state[name])) {
        window.dash_clientside.set_props(name, { data: state[name] });
      }
    });
  }

  function patternId(element) {
    return element && element.id.charAt(0) === "{" ? JSON.parse(element.id) : null;
  }

  // Buttons, laps and links to a moment. With a key held, or in a new tab, a link is a link like any other.
  document.addEventListener("click", function (event) {
    var target = event.target.closest && event.target.closest("a.moment, button");
    if (!target || (target.tagName === "A" && (event.ctrlKey || event.metaKey || event.shiftKey || event.button))) {
      return;
    }
    if (target.tagName === "A") {
      event.preventDefault();
    }
    act(patternId(target) || { type: target.id }, 1);
  });

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

      // The rest of the page waits until the traces are drawn: answers and traces come first.
      deferred: function (computed) {
        return new Promise(function (resolve) {
          var polls = 0;
          (function poll() {
            var words = document.getElementById("view-words");
            polls += 1;
            if ((words && words.textContent) || polls > 100) {
              window.setTimeout(function () { resolve(computed); }, 50);
            } else {
              window.setTimeout(poll, 30);
            }
          })();
        });
      },

      // One for each picture and choice, so that none of them waits for another.
      traces: function (relayout) { act({ type: "traces" }, relayout); },
      overview: function (brushed) { act({ type: "overview" }, brushed); },
      lanes: function (keys) { act({ type: "lanes" }, keys); },
      fuse: function (place) { act({ type: "fuse" }, place); },
      across: function (names) { act({ type: "across" }, names[0]); }
    }
  });
})();
