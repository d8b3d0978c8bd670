// Draws the plots of the tracks that are open, and moves their axis of time. Pure ASCII; no request to anywhere.
"use strict";
(function () {
  var PRINT_WIDTH = 690; // of the sheet between its margins, in CSS pixels
  var NARROW = 480; // CSS pixels
  var LEAST_S = 0.05; // shown at once
  var CONFIG = { displayModeBar: false, displaylogo: false, scrollZoom: false, doubleClick: false, showTips: false,
    showLink: false, responsive: false, topojsonURL: "about:blank", plotlyServerURL: "" };
  var root = document.documentElement;
  var coarse = window.matchMedia("(pointer: coarse)").matches;
  var specs = {};

  function spec(key) {
    if (!specs[key]) {
      specs[key] = JSON.parse(document.getElementById("plots-" + key).textContent);
    }
    return specs[key];
  }

  function bytesOf(base64) {
    var text = atob(base64), bytes = new Uint8Array(text.length);
    for (var i = 0; i < text.length; i++) { bytes[i] = text.charCodeAt(i); }
    return bytes;
  }

  // The counterpart of envelope.py: whole numbers of 16 bits, low byte first, between the trace's ends.
  function points(packed) {
    var bytes = bytesOf(packed.q), y = new Array(packed.n), step = (packed.high - packed.low) / 65534;
    for (var i = 0; i < packed.n; i++) {
      var whole = bytes[2 * i] + 256 * bytes[2 * i + 1];
      y[i] = whole === 65535 ? null : packed.low + whole * step;
    }
    return y;
  }

  function picture(packed) {
    var bytes = bytesOf(packed.bytes), z = [], step = (packed.high - packed.low) / 255;
    for (var row = 0; row < packed.rows; row++) {
      var line = new Array(packed.columns);
      for (var at = 0; at < packed.columns; at++) { line[at] = packed.low + bytes[row * packed.columns + at] * step; }
      z.push(line);
    }
    return z;
  }

  // "@blue" is the colour of that name in the style sheet, "@blue/0.3" the same with its opacity.
  function colour(name, style) {
    var parts = name.slice(1).split("/"), hex = style.getPropertyValue("--" + parts[0]).trim();
    if (parts.length === 1) { return hex; }
    var value = parseInt(hex.slice(1), 16);
    return "rgba(" + [value >> 16, (value >> 8) & 255, value & 255, parts[1]].join(",") + ")";
  }

  function coloured(value, style) {
    if (typeof value === "string") { return value.charAt(0) === "@" ? colour(value, style) : value; }
    if (Array.isArray(value)) { return value.map(function (each) { return coloured(each, style); }); }
    if (value && typeof value === "object") {
      var copy = {};
      Object.keys(value).forEach(function (key) { copy[key] = coloured(value[key], style); });
      return copy;
    }
    return value;
  }

  // plotly takes a number of four digits for a year, so milliseconds go to it as a date in words.
  function stamp(milliseconds) { return new Date(Math.round(milliseconds)).toISOString().slice(0, -1); }

  function unpacked(trace) {
    if (trace.base && typeof trace.base[0] === "number") { trace.base = trace.base.map(stamp); }
    if (trace.packed) {
      if (!trace.y) { trace.y = points(trace.packed); }
      trace.x0 = stamp(500 * trace.packed.dx_s);
      trace.dx = 1000 * trace.packed.dx_s;
    }
    if (trace.picture && !trace.z) {
      trace.z = picture(trace.picture);
      trace.x0 = stamp(500 * trace.step_s);
      trace.dx = 1000 * trace.step_s;
    }
  }

  function shaded(shades) {
    var shapes = [];
    shades.forEach(function (shade) {
      shade.spans.forEach(function (span) {
        shapes.push({ type: "rect", layer: "below", xref: "x", x0: stamp(span[0]), x1: stamp(span[1]), yref: "paper", y0: 0, y1: 1,
          fillcolor: shade.fill, line: { color: shade.edge, width: 1 } });
      });
    });
    return shapes;
  }

  function draw(plot) {
    var printing = "print" in root.dataset, figure = spec(plot.dataset.of)[plot.dataset.plot];
    var style = getComputedStyle(root);
    figure.data.forEach(unpacked);
    var data = figure.data.map(function (trace) {
      var light = {};
      Object.keys(trace).forEach(function (key) {
        if (key === "y" || key === "z" || key === "base" || key === "x") { light[key] = trace[key]; return; }
        if (key !== "packed" && key !== "picture") { light[key] = coloured(trace[key], style); }
      });
      return light;
    });
    var layout = coloured(figure.layout, style), places = figure.places[printing ? 1 : 0];
    var narrow = plot.clientWidth < NARROW && !printing;
    layout.height = places.height;
    places.domains.forEach(function (domain, at) {
      var suffix = at ? String(at + 1) : "";
      layout["yaxis" + suffix].domain = domain.slice();
      layout["legend" + suffix].y = domain[1];
      if (narrow) { layout["legend" + suffix].font.size = 10; } // so that it takes one line
    });
    if (narrow) { layout.margin.l = 38; layout.margin.r = Math.min(layout.margin.r, 28); }
    layout.shapes = shaded(coloured(figure.shades, style)).concat(layout.shapes);
    layout.width = printing ? PRINT_WIDTH : Math.max(plot.clientWidth, 200);
    layout.hoversubplots = layout.width > 700 ? "axis" : "single";
    layout.dragmode = coarse ? false : "zoom";
    if (plot.dataset.plot === "timeline") {
      var whole = [0, 1000 * length(plot.closest(".track"))];
      layout.xaxis.range = (plot.range || whole).map(stamp);
      layout.xaxis.minallowed = stamp(whole[0]);
      layout.xaxis.maxallowed = stamp(whole[1]);
    }
    if (plot.drawn) {
      Plotly.react(plot, data, layout, CONFIG);
      return;
    }
    plot.drawn = true;
    Plotly.newPlot(plot, data, layout, CONFIG);
    if (plot.dataset.plot === "timeline") { listen(plot); }
  }

  function clear(plot) {
    if (plot.drawn) { Plotly.purge(plot); plot.drawn = false; }
  }

  function each(selector, within, act) {
    Array.prototype.forEach.call((within || document).querySelectorAll(selector), act);
  }

  // Time.

  function length(section) { return parseFloat(section.dataset.length); }

  function shown(plot) {
    return plot.range ? [plot.range[0] / 1000, plot.range[1] / 1000] : [0, length(plot.closest(".track"))];
  }

  function clock(seconds) {
    var tenths = Math.round(seconds * 10), minutes = Math.floor(tenths / 600), rest = tenths - minutes * 600;
    var hours = Math.floor(minutes / 60);
    var text = (rest < 100 ? "0" : "") + Math.floor(rest / 10) + "." + rest % 10;
    if (!hours) { return minutes + ":" + text; }
    return hours + ":" + (minutes % 60 < 10 ? "0" : "") + minutes % 60 + ":" + text;
  }

  function show(section, from, to) {
    var plot = section.querySelector(".timeline"), whole = length(section);
    var span = Math.min(Math.max(to - from, LEAST_S), whole);
    from = Math.min(Math.max(from, 0), whole - span);
    to = from + span;
    plot.range = span >= whole ? null : [1000 * from, 1000 * to];
    section.querySelector(".shown").textContent =
      plot.range ? "Shown: " + clock(from) + " to " + clock(to) : "Shown: " + (section.dataset.whole || "the whole track");
    if (plot.drawn) { Plotly.relayout(plot, { "xaxis.range": (plot.range || [0, 1000 * whole]).map(stamp) }); }
  }

  function showPassage(section, from, to) {
    var room = Math.max(0.4 * (to - from), 0.25);
    show(section, from - room, to + room);
  }

  function press(section, button) {
    each(".passage", section, function (other) {
      other.setAttribute("aria-pressed", other === button ? "true" : "false");
    });
  }

  function move(section, what) {
    var now = shown(section.querySelector(".timeline")), span = now[1] - now[0], middle = (now[0] + now[1]) / 2;
    if (what === "all") { show(section, 0, length(section)); press(section, null); }
    if (what === "in") { show(section, middle - span / 4, middle + span / 4); }
    if (what === "out") { show(section, middle - span, middle + span); }
    if (what === "back") { show(section, now[0] - span / 2, now[1] - span / 2); }
    if (what === "on") { show(section, now[0] + span / 2, now[1] + span / 2); }
  }

  // The shortest passage under a click: its ends and its button, or a shaded stretch of which none is listed.
  function passageAt(section, seconds, reach) {
    var best = null;
    function offer(from, to, button) {
      if (seconds < from - reach || seconds > to + reach || (best && to - from >= best.to - best.from)) { return; }
      best = { from: from, to: to, button: button };
    }
    each(".passage", section, function (button) {
      offer(parseFloat(button.dataset.from), parseFloat(button.dataset.to), button);
    });
    spec(section.id).timeline.shades.forEach(function (shade) {
      shade.spans.forEach(function (span) { offer(span[0] / 1000, span[1] / 1000, null); });
    });
    return best;
  }

  function listen(plot) {
    var section = plot.closest(".track");
    plot.on("plotly_click", function (event) {
      var axis = plot._fullLayout.xaxis, box = plot.getBoundingClientRect();
      var pixel = event.event.clientX - box.left - axis._offset;
      var at = axis.p2c(pixel) / 1000, reach = Math.abs(axis.p2c(pixel + 5) - axis.p2c(pixel)) / 1000;
      var found = passageAt(section, at, reach);
      if (!found) { return; }
      showPassage(section, found.from, found.to);
      press(section, found.button);
    });
    plot.on("plotly_relayout", function (change) {
      if (!("xaxis.range[0]" in change)) { return; }
      var ends = plot._fullLayout.xaxis.range.map(function (end) { return plot._fullLayout.xaxis.r2l(end) / 1000; });
      show(section, ends[0], ends[1]);
    });
    plot.on("plotly_doubleclick", function () { move(section, "all"); });
  }

  document.addEventListener("keydown", function (event) {
    if (!event.target.classList.contains("timeline") || event.ctrlKey || event.altKey || event.metaKey) { return; }
    var what = { "+": "in", "=": "in", "-": "out", ArrowLeft: "back", ArrowRight: "on", "0": "all", Escape: "all" }[event.key];
    if (!what) { return; }
    event.preventDefault();
    move(event.target.closest(".track"), what);
  });

  document.addEventListener("click", function (event) {
    var button = event.target.closest("button"), link = event.target.closest("a[href^='#t']");
    if (link) { reveal(link.getAttribute("href").slice(1)); }
    if (!button) { return; }
    var section = button.closest(".track");
    if (button.dataset.zoom) { move(section, button.dataset.zoom); }
    if (button.classList.contains("passage")) {
      showPassage(section, parseFloat(button.dataset.from), parseFloat(button.dataset.to));
      press(section, button);
      section.querySelector(".timeline").scrollIntoView({ block: "nearest" });
    }
    if (button.id === "open-all" || button.id === "close-all") {
      each(".track", null, function (one) { one.open = button.id === "open-all"; });
    }
    if (button.id === "print") { window.print(); }
  });

  function reveal(key) {
    var section = document.getElementById(key);
    if (section && section.classList.contains("track")) { section.open = true; }
  }

  // A track is drawn when it is open and near the window, and its plots are given up when it is closed.

  var near = new IntersectionObserver(function (entries) {
    entries.forEach(function (entry) {
      if (entry.isIntersecting && !entry.target.drawn && entry.target.closest(".track").open) { draw(entry.target); }
    });
  }, { rootMargin: "600px" });

  // Its height before it is drawn, so that nothing below it moves when it is.
  function hold(plot) {
    plot.style.minHeight = spec(plot.dataset.of)[plot.dataset.plot].places[0].height + "px";
  }

  each(".track", null, function (section) {
    each(".plot", section, function (plot) {
      hold(plot);
      near.observe(plot);
    });
    section.addEventListener("toggle", function () { if (!section.open) { each(".plot", section, clear); } });
  });

  function drawAgain() { each(".plot", null, function (plot) { if (plot.drawn) { draw(plot); } }); }

  var width = window.innerWidth, waiting = 0;
  window.addEventListener("resize", function () {
    if (window.innerWidth === width || "print" in root.dataset) { return; } // a phone's bars come and go
    width = window.innerWidth;
    clearTimeout(waiting);
    waiting = setTimeout(drawAgain, 150);
  });
  var dark = window.matchMedia("(prefers-color-scheme: dark)");
  if (dark.addEventListener) { dark.addEventListener("change", function () { if (!("print" in root.dataset)) { drawAgain(); } }); }

  window.addEventListener("beforeprint", function () {
    root.dataset.print = "";
    each(".track[open] .plot", null, function (plot) {
      plot.forPrint = !plot.drawn;
      plot.style.minHeight = "0";
      draw(plot);
    });
  });
  window.addEventListener("afterprint", function () {
    delete root.dataset.print;
    each(".plot", null, function (plot) {
      hold(plot);
      if (plot.forPrint) { clear(plot); }
      plot.forPrint = false;
    });
    drawAgain();
  });
  window.addEventListener("hashchange", function () { reveal(location.hash.slice(1)); });
  reveal(location.hash.slice(1));
})();
