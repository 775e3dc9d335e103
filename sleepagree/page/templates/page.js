"use strict";
(function () {
  // --- answers: what they change is shown as they are given, and the place in the page is kept
  let asked = 0;
  function tell(form, words) {
    form.classList.remove("busy");
    const told = form.querySelector("#untaken") || document.createElement("p");
    Object.assign(told, { id: "untaken", className: "problem", textContent: words });
    told.setAttribute("role", "alert");
    form.prepend(told);
  }
  async function lookAgain(form) {
    const mine = ++asked;
    const data = new FormData(form);
    data.set("do", "look");
    form.classList.add("busy");
    let answer = null;
    let text = "";
    try {
      answer = await fetch(form.action, { method: "POST", body: data });
      text = await answer.text();
    } catch (lost) { /* told below */ }
    if (mine !== asked) { return; }
    const page = new DOMParser().parseFromString(text, "text/html");
    const fresh = page.querySelector("#content");
    if (!answer) {
      tell(form, "No answer came: the page has ended, or that was more than it takes at once. Nothing was taken.");
      return;
    }
    const isElsewhere = answer.redirected && new URL(answer.url).pathname !== new URL(form.action).pathname;
    if (!answer.ok || !fresh || isElsewhere) {  // the answers stay where they are
      tell(form, (page.querySelector("#content .problem") || page.body).textContent.trim());
      return;
    }
    const old = document.querySelector("#content");
    const active = document.activeElement;
    const focus = active ? active.id : "";
    const open = Array.from(old.querySelectorAll("details[open]"), function (part) { return part.id; });
    old.replaceWith(fresh);
    open.forEach(function (id) { const part = id && document.getElementById(id); if (part) { part.open = true; } });
    const again = focus && document.getElementById(focus);
    if (again) {
      if (again.matches("input:not([type=file])")) { again.value = active.value; }  // it may be half typed
      again.focus();
    }
    begin();
  }

  function begin() {
    const answers = document.querySelector("#answers");
    if (answers) {
      answers.addEventListener("change", function () { lookAgain(answers); });
    }
    document.querySelectorAll("form").forEach(function (form) {
      form.addEventListener("submit", function (event) {
        if (form.dataset.sent) { event.preventDefault(); return; }
        form.dataset.sent = "1";
        form.classList.add("busy");
      });
    });
  }
  begin();
  // a file that misses its place would take the place of the page
  ["dragover", "drop"].forEach(function (kind) {
    window.addEventListener(kind, function (event) {
      if (!event.target.matches("input[type=file]")) { event.preventDefault(); }
    });
  });
  window.addEventListener("pageshow", function (event) {
    if (event.persisted) { window.location.reload(); }
  });

  // --- how far it is
  const running = document.querySelector("[data-progress]");
  if (running) {
    const source = new EventSource(running.dataset.progress);
    const bar = document.querySelector("#bar");
    source.onmessage = function (event) {
      const told = JSON.parse(event.data);
      if (told.total) {
        bar.max = told.total;
        bar.value = told.done;
        document.querySelector("#far").textContent = told.done + " of " + told.total + " nights";
      }
    };
    source.addEventListener("end", function () { source.close(); window.location.reload(); });
  }

  // --- the report is as high as what it holds
  const report = document.querySelector("iframe.report");
  if (report) {
    function follow() {
      const inside = report.contentDocument;
      if (!inside || !inside.querySelector("#content")) { return; }
      function fit() { report.style.height = Math.ceil(inside.body.getBoundingClientRect().height) + 8 + "px"; }
      new ResizeObserver(fit).observe(inside.body);
      fit();
    }
    report.addEventListener("load", follow);
    follow();
  }

  // --- the clock: what the curve says at the offset that is pointed at
  const clock = document.querySelector("#offset");
  if (clock) {
    const points = JSON.parse(clock.dataset.points);
    const slide = document.querySelector("#slide");
    const seconds = document.querySelector("#seconds");
    const output = document.querySelector("#kappa");
    function kappa(offset) {
      const found = points[String(offset)];
      return found === undefined || found === null ? "–" : found.toFixed(3);
    }
    function tell() {
      const nearest = Math.round(Number(seconds.value) / 5) * 5;
      output.textContent = "kappa " + kappa(nearest) + " at " + nearest + " s, " + kappa(0) + " as recorded";
    }
    slide.addEventListener("input", function () { seconds.value = slide.value; tell(); });
    seconds.addEventListener("input", function () { slide.value = seconds.value; tell(); });
    tell();
  }
})();
