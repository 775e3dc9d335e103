"use strict";
(function () {
  // --- tables: sort by a column, stable, numbers by their worth and words by their letters
  document.querySelectorAll("table[data-sortable]").forEach(function (table) {
    const heads = Array.from(table.tHead.rows[0].cells);
    const body = table.tBodies[0];
    const given = Array.from(body.rows);
    heads.forEach(function (head, column) {
      if (head.tagName !== "TH") { return; }
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = head.textContent;
      // Chromium repeats a head on every sheet only when it holds no button
      const words = document.createElement("span");
      words.className = "in-print";
      words.textContent = head.textContent;
      head.replaceChildren(words, button);
      button.addEventListener("click", function () {
        const up = head.getAttribute("aria-sort") !== "ascending";
        heads.forEach(function (other) { other.removeAttribute("aria-sort"); });
        head.setAttribute("aria-sort", up ? "ascending" : "descending");
        const order = given.map(function (row, i) {
          const cell = row.cells[column];
          const worth = cell.dataset.worth;
          return { row: row, i: i, number: worth === undefined ? NaN : Number(worth), text: cell.textContent };
        });
        const counted = order.some(function (o) { return !Number.isNaN(o.number); });
        order.sort(function (a, b) {
          if (counted) {
            // rows without a value stay at the end, whichever way the others run
            const lacks = Number.isNaN(a.number) - Number.isNaN(b.number);
            if (lacks || Number.isNaN(a.number)) { return lacks || a.i - b.i; }
            return (up ? a.number - b.number : b.number - a.number) || a.i - b.i;
          }
          const words = a.text.localeCompare(b.text, "en", { numeric: true });
          return (up ? words : -words) || a.i - b.i;
        });
        order.forEach(function (o) { body.append(o.row); });
      });
    });
  });

  // --- what is wider than the page says so
  const scrollers = document.querySelectorAll(".hint + .scroll, .hint + .drawing");
  function tellWidths() {
    scrollers.forEach(function (scroller) {
      const hint = scroller.previousElementSibling;
      const hidden = scroller.scrollWidth <= scroller.clientWidth + 1;
      if (hint.hidden !== hidden) { hint.hidden = hidden; }
    });
  }
  tellWidths();
  window.addEventListener("resize", tellWidths);
  document.querySelectorAll("details").forEach(function (part) { part.addEventListener("toggle", tellWidths); });

  // --- hypnograms: look at single epochs, and closer
  const SVG = "http://www.w3.org/2000/svg";
  document.querySelectorAll("figure").forEach(function (figure) {
    const source = figure.querySelector("script.trace");
    const svg = figure.querySelector("svg");
    if (!source || !svg) { return; }
    const trace = JSON.parse(source.textContent);
    const prefix = figure.id.replace("figure-", "") + "-";
    const clip = svg.querySelector("clipPath");
    const data = Array.from(svg.querySelectorAll('[id^="' + prefix + 'data-"]'));
    const givenTicks = Array.from(svg.querySelectorAll('[id^="' + prefix + 'tick-"]'));
    const firstText = svg.querySelector('[id^="' + prefix + 'tick-"] text');
    if (!clip || !data.length || !firstText) { return; }
    const box = clip.querySelector("rect");
    const left = Number(box.getAttribute("x"));
    const wide = Number(box.getAttribute("width"));
    const top = Number(box.getAttribute("y"));
    const high = Number(box.getAttribute("height"));
    const n = trace.epochs;
    const STEPS = [5, 10, 15, 30, 60, 120, 180, 240, 360, 720];
    const perMinute = (wide * 60) / (n * trace.epochSeconds); // points; a name takes less than 30

    const frame = document.createElementNS(SVG, "g");
    frame.setAttribute("clip-path", "url(#" + clip.id + ")");
    const moved = document.createElementNS(SVG, "g");
    moved.setAttribute("class", "moved");
    frame.append(moved);
    data[0].before(frame);
    data.forEach(function (group) {
      group.querySelectorAll("[clip-path]").forEach(function (part) { part.removeAttribute("clip-path"); });
      moved.append(group);
    });
    const cursor = document.createElementNS(SVG, "line");
    cursor.setAttribute("y1", top);
    cursor.setAttribute("y2", top + high);
    cursor.setAttribute("style", "stroke: var(--ink); stroke-width: 0.8; stroke-dasharray: 2 1.5");
    cursor.setAttribute("visibility", "hidden");
    frame.append(cursor);

    const ownTicks = document.createElementNS(SVG, "g");
    svg.append(ownTicks);

    let zoom = 1;
    let first = 0;
    function place(epoch) { return left + ((epoch - first) * zoom * wide) / n; }
    function minutesOf(label) {
      const found = /(\d+):(\d+)/.exec(label);
      return found ? Number(found[1]) * 60 + Number(found[2]) : 0;
    }
    function draw() {
      const shift = left - zoom * left - (first * zoom * wide) / n;
      moved.setAttribute("transform", "matrix(" + zoom + " 0 0 1 " + shift + " 0)");
      const near = zoom > 1;
      givenTicks.forEach(function (tick) { tick.setAttribute("visibility", near ? "hidden" : "visible"); });
      ownTicks.replaceChildren();
      if (near) {
        const step = STEPS.find(function (minutes) { return minutes * perMinute * zoom >= 32; }) || 1440;
        trace.ticks.forEach(function (tick) {
          const x = place(tick[0]);
          if (minutesOf(tick[1]) % step || x < left - 0.5 || x > left + wide + 0.5) { return; }
          const mark = document.createElementNS(SVG, "path");
          mark.setAttribute("d", "M " + x + " " + (top + high) + " v 2.5");
          mark.setAttribute("style", "stroke: var(--muted); stroke-width: 0.7; fill: none");
          const text = firstText.cloneNode(false);
          text.setAttribute("x", x);
          text.textContent = tick[1];
          ownTicks.append(mark, text);
        });
      }
      closer.disabled = zoom >= 16;
      wider.disabled = whole.disabled = !near;
      earlier.disabled = first <= 0;
      later.disabled = first >= n - n / zoom - 1e-9;
      drawCursor();
    }
    function look(to, centre) {
      const middle = centre === undefined ? first + n / zoom / 2 : centre;
      zoom = Math.min(16, Math.max(1, to));
      first = Math.min(Math.max(0, middle - n / zoom / 2), n - n / zoom);
      draw();
    }
    function valueAt(name, epoch) {
      const runs = trace.runs[name];
      let low = 0;
      let high = runs.length - 1;
      while (low < high) {
        const middle = (low + high + 1) >> 1;
        if (runs[middle][0] <= epoch) { low = middle; } else { high = middle - 1; }
      }
      const words = trace.words[name];
      const code = runs[low][1];
      return code < 0 ? words[words.length - 1] : words[code];
    }
    function clock(epoch) {
      // from the tick before: the clock may have been changed in between
      let base = null;
      trace.ticks.forEach(function (tick) { if (tick[0] <= epoch) { base = tick; } });
      const begin = base ? minutesOf(base[1]) * 60 + (epoch - base[0]) * trace.epochSeconds : null;
      let seconds = begin;
      if (seconds === null) {
        const parts = (trace.begin || "0:0:0").split(":").map(Number);
        seconds = parts[0] * 3600 + parts[1] * 60 + parts[2] + epoch * trace.epochSeconds;
      }
      seconds = Math.round(seconds);
      function two(value) { return String(value).padStart(2, "0"); }
      const hours = Math.floor(seconds / 3600);
      return two(trace.begin ? hours % 24 : hours) + ":" + two(Math.floor(seconds / 60) % 60) + ":" + two(seconds % 60);
    }
    function say(epoch) {
      return clock(epoch) + ": reference " + valueAt("reference", epoch) + ", device " + valueAt("device", epoch) +
        " (" + valueAt("verdict", epoch) + ")";
    }
    function drawCursor() {
      const x = place(Number(slider.value) + 0.5);
      cursor.setAttribute("x1", x);
      cursor.setAttribute("x2", x);
    }
    function show(epoch) {
      slider.value = String(Math.min(n - 1, Math.max(0, Math.floor(epoch))));
      const text = say(Number(slider.value));
      slider.setAttribute("aria-valuetext", text);
      output.textContent = text;
      cursor.setAttribute("visibility", "visible");
      drawCursor();
    }

    const bar = document.createElement("div");
    bar.className = "look";
    function button(text, action) {
      const made = document.createElement("button");
      made.type = "button";
      made.textContent = text;
      made.addEventListener("click", action);
      bar.append(made);
      return made;
    }
    function centre() { return cursor.getAttribute("visibility") === "visible" ? Number(slider.value) : undefined; }
    const closer = button("Closer", function () { look(zoom * 2, centre()); });
    const wider = button("Wider", function () { look(zoom / 2, centre()); });
    const whole = button("Whole night", function () { look(1); });
    const earlier = button("Earlier", function () { look(zoom, first); });
    const later = button("Later", function () { look(zoom, first + n / zoom); });
    const label = document.createElement("label");
    const slider = document.createElement("input");
    slider.type = "range";
    slider.min = "0";
    slider.max = String(n - 1);
    slider.value = "0";
    slider.addEventListener("input", function () {
      show(Number(slider.value));
      if (zoom > 1 && (Number(slider.value) < first || Number(slider.value) > first + n / zoom)) {
        look(zoom, Number(slider.value));
      }
    });
    label.append("Epoch", slider);
    const output = document.createElement("output");
    output.textContent = "Point at the hypnograms, or move the slider, to read single epochs.";
    bar.append(label, output);
    figure.querySelector(".drawing").after(bar);
    svg.addEventListener("pointermove", function (event) {
      const matrix = svg.getScreenCTM();
      if (!matrix) { return; }
      const x = (event.clientX - matrix.e) / matrix.a;
      if (x < left || x > left + wide) { return; }
      show(first + ((x - left) * n) / (zoom * wide));
    });
    draw();
  });
})();
