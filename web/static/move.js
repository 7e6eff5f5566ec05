// Jobs of the season chart are moved by dragging, or by keys: arrows choose lane and time, Enter asks.
// Nothing is moved here: the form below asks what a move would lead to. Without this file the job's page has a form.
"use strict";

const STEP_MIN = 5;
const tray = document.getElementById("move-tray");
const toggle = document.getElementById("move-toggle");

function place(bar) {
  const strip = bar.closest("svg");
  const { first, last, left, lanes } = strip.dataset;
  const box = strip.viewBox.baseVal;
  return {
    strip,
    lanes: lanes.split(" ").map((one) => one.split(":")).map(([id, y, name]) => ({ id, y: Number(y), name: name.replaceAll("_", " ") })),
    perMs: (box.width - Number(left)) / (Date.parse(last) - Date.parse(first)),
    first: Date.parse(first),
    left: Number(left),
    scale: box.width / strip.getBoundingClientRect().width,
  };
}

function told(instant, zone) {
  return new Intl.DateTimeFormat("en-GB", { weekday: "short", hour: "2-digit", minute: "2-digit", timeZone: zone }).format(instant);
}

function offer(bar, lane, start) {
  const rounded = Math.round(start / (STEP_MIN * 60000)) * STEP_MIN * 60000;
  tray.hidden = false;
  tray.elements.job.value = bar.dataset.job;
  tray.elements.machine.value = lane.id;
  tray.elements.start.value = new Date(rounded).toISOString();
  tray.querySelector("output").textContent = `${bar.dataset.label} to ${lane.name}, ${told(rounded, tray.dataset.zone)}`;
  bar.dataset.wanted = String(rounded);
  bar.dataset.lane = lane.id;
}

function shift(bar, dx, dy) {
  bar.style.transform = `translate(${dx}px, ${dy}px)`;
}

function back(bar) {
  shift(bar, 0, 0);
  delete bar.dataset.wanted;
  delete bar.dataset.lane;
}

function laneAt(where, bar, dy) {
  const y = Number(bar.dataset.y) + dy;
  return where.lanes.reduce((best, lane) => (Math.abs(lane.y - y) < Math.abs(best.y - y) ? lane : best));
}

function byPointer(bar) {
  let from = null;
  bar.addEventListener("pointerdown", (event) => {
    if (!document.body.classList.contains("moving")) return;
    from = { x: event.clientX, y: event.clientY, where: place(bar) };
    bar.setPointerCapture(event.pointerId);
    event.preventDefault();
  });
  bar.addEventListener("pointermove", (event) => {
    if (!from) return;
    const [dx, dy] = [(event.clientX - from.x) * from.where.scale, (event.clientY - from.y) * from.where.scale];
    shift(bar, dx, dy);
    offer(bar, laneAt(from.where, bar, dy), Date.parse(bar.dataset.start) + dx / from.where.perMs);
  });
  for (const end of ["pointerup", "pointercancel"]) bar.addEventListener(end, () => { from = null; });
  bar.addEventListener("dragstart", (event) => event.preventDefault()); // the browser would drag the link
  bar.addEventListener("click", (event) => {
    if (document.body.classList.contains("moving")) event.preventDefault();
  });
}

function byKeys(bar) {
  bar.addEventListener("keydown", (event) => {
    if (!document.body.classList.contains("moving")) return;
    const where = place(bar);
    const start = Number(bar.dataset.wanted || Date.parse(bar.dataset.start));
    const index = where.lanes.findIndex((lane) => lane.id === (bar.dataset.lane || bar.dataset.machine));
    const steps = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    if (event.key === "Escape") { back(bar); tray.hidden = true; }
    if (event.key === "Enter" && !tray.hidden) { event.preventDefault(); tray.querySelector("button.primary").focus(); }
    if (!steps) return;
    event.preventDefault();
    const lane = where.lanes[Math.min(Math.max(index + steps[1], 0), where.lanes.length - 1)];
    const wanted = start + steps[0] * STEP_MIN * (event.shiftKey ? 12 : 1) * 60000;
    offer(bar, lane, wanted);
    shift(bar, (wanted - Date.parse(bar.dataset.start)) * where.perMs, lane.y - Number(bar.dataset.y));
  });
}

if (tray && toggle) {
  const bars = [...document.querySelectorAll("a[data-job]")];
  bars.forEach((bar) => { byPointer(bar); byKeys(bar); });
  toggle.hidden = false;
  toggle.addEventListener("click", () => {
    const on = document.body.classList.toggle("moving");
    toggle.setAttribute("aria-pressed", String(on));
    bars.forEach((bar) => { bar.setAttribute("tabindex", on ? "0" : "-1"); if (!on) back(bar); });
    if (!on) tray.hidden = true;
    else bars[0]?.focus();
  });
  tray.querySelector("[data-leave]").addEventListener("click", () => { bars.forEach(back); tray.hidden = true; });
}
