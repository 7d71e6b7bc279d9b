// Links one moment of flight through all pictures, and filters the overview. Pages say everything without it.
"use strict";

const bySelector = (selector) => Array.from(document.querySelectorAll(selector));

function linkMoments(data) {
  const scrub = document.querySelector(".scrub");
  const slider = document.getElementById("moment");
  const readout = document.getElementById("readout");
  const play = document.getElementById("play");
  const strips = bySelector("svg.strip");
  const cursors = strips.map((strip) => strip.querySelector(".cursor"));
  const dot = document.querySelector("svg.plan circle.cursor-dot");
  const square = document.querySelector("svg.plan rect.cursor-dot");
  const rows = bySelector("tr[data-at]").map((row) => ({ row, at: Number(row.dataset.at) }));
  const last = Number(slider.max);
  const secondsOf = (index) => data.begin + ((data.end - data.begin) * index) / last;
  let timer = 0;

  function show(index) {
    const seconds = secondsOf(index);
    const x = data.left + ((data.right - data.left) * index) / last;
    document.body.classList.add("live");
    for (const cursor of cursors) {
      cursor.setAttribute("x1", x);
      cursor.setAttribute("x2", x);
    }
    if (dot && data.places.length) {
      dot.setAttribute("cx", data.places[index][0]);
      dot.setAttribute("cy", data.places[index][1]);
    }
    if (square && data.places_b && data.places_b.length) {
      square.setAttribute("x", data.places_b[index][0] - 6);
      square.setAttribute("y", data.places_b[index][1] - 6);
    }
    const leg = data.legs.find((one) => seconds >= one.begin && seconds < one.end);
    const parts = [`${seconds.toFixed(1)} s`];
    if (leg) parts.push(leg.name);
    for (const curve of data.curves) {
      const value = curve.values[index];
      if (value !== null) parts.push(`${curve.title} ${value.toFixed(2)} ${curve.unit}`);
    }
    readout.textContent = parts.join(" · ");
    slider.setAttribute("aria-valuetext", `${seconds.toFixed(1)} seconds`);
    let now = null;
    for (const one of rows) if (one.at <= seconds) now = one.row;
    for (const one of rows) one.row.classList.toggle("now", one.row === now);
  }

  function move(index) {
    slider.value = String(Math.max(0, Math.min(last, Math.round(index))));
    show(Number(slider.value));
  }

  function stop() {
    window.clearInterval(timer);
    timer = 0;
    play.setAttribute("aria-pressed", "false");
    play.textContent = "Play";
  }

  slider.addEventListener("input", () => show(Number(slider.value)));
  play.addEventListener("click", () => {
    if (timer) return stop();
    if (Number(slider.value) >= last) move(0);
    play.setAttribute("aria-pressed", "true");
    play.textContent = "Pause";
    timer = window.setInterval(() => (Number(slider.value) >= last ? stop() : move(Number(slider.value) + 1)), 60);
    return undefined;
  });
  for (const strip of strips) {
    strip.addEventListener("pointermove", (event) => {
      const box = strip.getBoundingClientRect();
      const x = ((event.clientX - box.left) / box.width) * strip.viewBox.baseVal.width;
      move(((x - data.left) / (data.right - data.left)) * last);
    });
  }
  scrub.hidden = false;
}

function filterLines(form) {
  const words = document.getElementById("filter");
  const shown = document.getElementById("shown");
  const lines = bySelector("tbody[data-verdict]");
  function apply() {
    const wanted = words.value.trim().toLowerCase().split(/\s+/).filter(Boolean);
    const verdicts = new Set(bySelector("input[name=verdict]:checked").map((box) => box.value));
    let count = 0;
    for (const line of lines) {
      const fits = verdicts.has(line.dataset.verdict) && wanted.every((word) => line.dataset.words.includes(word));
      line.hidden = !fits;
      count += fits ? 1 : 0;
    }
    shown.textContent = `${count} of ${lines.length} lines`;
  }
  form.addEventListener("submit", (event) => event.preventDefault());
  form.addEventListener("input", apply);
  form.hidden = false;
  apply();
}

const found = document.getElementById("data");
if (found && document.querySelector(".scrub")) linkMoments(JSON.parse(found.textContent));
const form = document.querySelector(".filter");
if (form) filterLines(form);
