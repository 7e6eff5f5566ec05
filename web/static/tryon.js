// A picture on a piece in the round: the same chart as the engine's, drawn with the library's surface.
//   x = (longitude - longitude0) rho0      y = (q(latitude) - q(latitude0)) rho0
"use strict";

const RAD = Math.PI / 180;
const PATCH_POINTS = 22000; // of the picture's own part of the skin, which is drawn finer than the rest
const ABOVE_MM = 0.4;
const LIT = [[0, "#2a170c"], [0.12, "#43230f"], [0.5, "#c8741c"], [0.8, "#ffc55c"], [1, "#fff1c4"]];
const UNLIT = [[0, "#d98a3a"], [0.3, "#e9b87c"], [0.6, "#f3dcb4"], [0.95, "#2a1a10"], [1, "#140c08"]];
const EYE = { near: 1.45, 3: 2.4, 10: 6 };

const root = document.getElementById("try");
const form = document.getElementById("place");
const stage = document.getElementById("stage");
const grip = document.getElementById("grip");
const words = document.getElementById("stage-words");
const state = { skin: null, pattern: null, light: "lit", drag: "picture", drawn: false, findings: [] };

const value = (name) => Number(form.elements[name].value);
const placement = () => {
  const said = new URLSearchParams();
  if (form.elements.piece.value) said.set("piece", form.elements.piece.value);
  for (const name of ["lon", "lat", "turn", "width"]) said.set(name, form.elements[name].value);
  return said;
};

async function asked(address) {
  const answer = await fetch(address, { cache: "no-store" });
  const told = await answer.json().catch(() => ({}));
  if (!answer.ok) throw new Error(told.error || `status ${answer.status}`);
  return told;
}

// points of the skin, in the library's rows and columns
function points(lat, lon, above) {
  const x = [], y = [], z = [];
  lat.forEach((row, i) => {
    x.push([]); y.push([]); z.push([]);
    row.forEach((deg, j) => {
      const r = radiusAt(deg, lon[i][j]) + above, c = Math.cos(deg * RAD);
      x[i].push(r * c * Math.cos(lon[i][j] * RAD));
      y[i].push(r * c * Math.sin(lon[i][j] * RAD));
      z[i].push(r * Math.sin(deg * RAD));
    });
  });
  return { x, y, z };
}

function radiusAt(latDeg, lonDeg) {
  const { latitude_deg: lat, longitude_deg: lon, radius_mm: r } = state.skin;
  const step = lat[1] - lat[0];
  const i = Math.min(Math.max((latDeg - lat[0]) / step, 0), lat.length - 1.001);
  const j = Math.min(((((lonDeg - lon[0]) % 360) + 360) % 360) / step, lon.length - 1.001);
  const a = Math.floor(i), b = Math.floor(j), u = i - a, v = j - b;
  return (1 - u) * ((1 - v) * r[a][b] + v * r[a][b + 1]) + u * ((1 - v) * r[a + 1][b] + v * r[a + 1][b + 1]);
}

function wholeSkin() {
  const lat = [], lon = [];
  for (let deg = -88; deg <= 88; deg += 4) { lat.push(deg); }
  for (let deg = -180; deg <= 180; deg += 4) { lon.push(deg); }
  return points(lat.map((deg) => lon.map(() => deg)), lat.map(() => lon), 0);
}

function fromTable(table, latDeg, name) {
  const at = Math.min(Math.max((latDeg - table.first_deg) / table.step_deg, 0), table[name].length - 1.001);
  const i = Math.floor(at), u = at - i;
  return (1 - u) * table[name][i] + u * table[name][i + 1];
}

function latitudeOf(chart, q) {
  const table = chart.isometric;
  let low = 0, high = table.length - 1;
  while (high - low > 1) {
    const middle = (low + high) >> 1;
    if (table[middle] <= q) low = middle; else high = middle;
  }
  return chart.first_deg + chart.step_deg * (low + Math.min(Math.max((q - table[low]) / (table[high] - table[low]), 0), 1));
}

// the picture's own part of the skin: as many rows and columns as its proportions ask for
function patch() {
  const { chart } = state.skin, { pattern } = state;
  const lon0 = value("lon"), turn = value("turn") * RAD;
  const rho0 = fromTable(chart, value("lat"), "parallel_mm"), q0 = fromTable(chart, value("lat"), "isometric");
  const [c, s] = [Math.cos(turn), Math.sin(turn)];
  const width = value("width"), height = (pattern.height_mm / pattern.width_mm) * width;
  const across = Math.round(Math.sqrt((PATCH_POINTS * width) / height)), down = Math.round(PATCH_POINTS / across);
  const { columns, rows, bytes } = pattern;
  const lat = [], lon = [], light = [];
  for (let i = 0; i <= down; i += 1) {
    const v = i / down, y = (0.5 - v) * height * 1.02;
    lat.push([]); lon.push([]); light.push([]);
    for (let j = 0; j <= across; j += 1) {
      const u = j / across, x = (u - 0.5) * width * 1.02;
      lon[i].push(lon0 + (c * x - s * y) / rho0 / RAD);
      lat[i].push(latitudeOf(chart, q0 + (s * x + c * y) / rho0));
      const [m, n] = [Math.floor((x / width + 0.5) * columns), Math.floor((0.5 - y / height) * rows)];
      light[i].push(m < 0 || n < 0 || m >= columns || n >= rows ? 0 : bytes[n * columns + m] / 255);
    }
  }
  return { ...points(lat, lon, ABOVE_MM), surfacecolor: light };
}

function eye() {
  const far = EYE[document.getElementById("distance").value];
  const lon = value("lon") * RAD;
  return { x: far * Math.cos(lon) * 0.97, y: far * Math.sin(lon) * 0.97, z: far * 0.22 };
}

function marks() {
  const placed = state.findings.map((one, n) => [one, n + 1]).filter(([one]) => one.longitude_deg !== null);
  const at = placed.map(([one]) => {
    const r = radiusAt(one.latitude_deg, one.longitude_deg) * 1.04;
    const c = Math.cos(one.latitude_deg * RAD);
    return [r * c * Math.cos(one.longitude_deg * RAD), r * c * Math.sin(one.longitude_deg * RAD), r * Math.sin(one.latitude_deg * RAD)];
  });
  const colours = { refuse: "#ff5b57", warn: "#ffb057", note: "#cfc6ff" };
  return {
    type: "scatter3d", mode: "markers+text", hoverinfo: "text", x: at.map((p) => p[0]), y: at.map((p) => p[1]), z: at.map((p) => p[2]),
    text: placed.map(([, n]) => String(n)), hovertext: placed.map(([one]) => one.text), textposition: "middle center",
    textfont: { size: 14, color: "#000" }, marker: { size: 13, color: placed.map(([one]) => colours[one.severity]), line: { color: "#000", width: 1 } },
  };
}

function shapes() {
  const lit = state.light === "lit";
  const look = {
    type: "surface", cmin: 0, cmax: 1, colorscale: lit ? LIT : UNLIT, showscale: false, hoverinfo: "skip",
    contours: { x: { highlight: false }, y: { highlight: false }, z: { highlight: false } },
    lighting: lit ? { ambient: 0.85, diffuse: 0.35, specular: 0.02, fresnel: 0 } : { ambient: 0.5, diffuse: 0.75, specular: 0.12, roughness: 0.6 },
    lightposition: { x: 2000, y: -1500, z: 3000 },
  };
  state.whole ||= wholeSkin();
  const dark = state.whole.x.map((row) => row.map(() => 0));
  return [{ ...look, ...state.whole, surfacecolor: dark }, { ...look, ...patch() }];
}

async function draw(camera) {
  if (!state.skin || !state.pattern) return;
  const axis = { visible: false, showspikes: false };
  const layout = {
    margin: { l: 0, r: 0, t: 0, b: 0 }, paper_bgcolor: state.light === "lit" ? "#07060d" : "#cdc6bb", showlegend: false,
    scene: { xaxis: axis, yaxis: axis, zaxis: axis, aspectmode: "data", dragmode: state.drag === "piece" ? "orbit" : false, camera: camera || stage.layout?.scene?.camera || { eye: eye() } },
  };
  await window.Plotly.react(stage, [...shapes(), marks()], layout, { displayModeBar: false, responsive: true, scrollZoom: state.drag === "piece" });
  state.drawn = true;
  words.hidden = true;
  stage.dataset.drawn = "yes";
}

let judging = 0;
async function judge() {
  const number = (judging += 1);
  const verdict = document.getElementById("verdict");
  try {
    const told = await asked(`${root.dataset.findings}?${placement()}`);
    if (number !== judging) return;
    state.findings = told.findings;
    list(told.findings);
    const stops = told.findings.filter((one) => one.severity === "refuse").length;
    const minds = told.findings.filter((one) => one.severity === "warn").length;
    verdict.textContent = stops ? `Not like this: ${stops} ${stops === 1 ? "thing breaks" : "things break"}.` : minds ? `It holds; ${minds} ${minds === 1 ? "thing" : "things"} to mind.` : "It holds: nothing breaks at this place.";
    verdict.dataset.judged = "yes";
    if (state.drawn) draw();
  } catch (trouble) {
    if (number === judging) verdict.textContent = `It could not be judged: ${trouble.message}`;
  }
}

function list(findings) {
  const place = document.getElementById("findings");
  const told = { refuse: ["✕", "bad", "stops the job"], warn: ["▲", "warn", "mind"], note: ["○", "plain", "note"] };
  place.replaceChildren(...findings.map((one) => {
    const row = document.createElement("li");
    row.className = `finding ${one.severity}`;
    const [sign, tone, word] = told[one.severity];
    const said = document.createElement("p");
    const mark = document.createElement("span");
    mark.className = `mark ${tone}`;
    mark.textContent = `${sign} ${word}`;
    said.append(mark, ` ${one.rule}: ${one.text}.`);
    row.append(said);
    if (one.fix) {
      const fix = document.createElement("p");
      fix.className = "fix";
      fix.textContent = `What helps: ${one.fix}.`;
      row.append(fix);
    }
    for (const help of one.widths) {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = help.words;
      button.addEventListener("click", () => set("width", help.width_mm));
      row.append(button);
    }
    return row;
  }));
  if (!findings.length) place.replaceChildren(Object.assign(document.createElement("li"), { textContent: "None." }));
  const mend = document.getElementById("mend");
  if (mend) mend.hidden = !findings.some((one) => one.bridge);
}

function say() {
  for (const input of form.querySelectorAll("input[type=range]")) input.closest("label").querySelector("output").textContent = `${input.value}${input.dataset.unit}`;
  const said = placement();
  for (const place of document.querySelectorAll("[data-place]")) {
    place.replaceChildren(...[...said].map(([name, held]) => Object.assign(document.createElement("input"), { type: "hidden", name, value: held })));
  }
  document.getElementById("print-it").search = said;
  history.replaceState(null, "", `${location.pathname}?${said}`);
}

let soon = 0, later = 0;
function changed() {
  say();
  cancelAnimationFrame(soon);
  soon = requestAnimationFrame(() => draw());
  clearTimeout(later);
  later = setTimeout(judge, 450);
}

function set(name, wanted) {
  const input = form.elements[name];
  const [low, high] = [Number(input.min), Number(input.max)];
  input.value = name === "lon" ? ((wanted + 540) % 360) - 180 : Math.min(Math.max(wanted, low), high);
  changed();
}

async function load() {
  words.hidden = false;
  words.textContent = "Reading the piece's skin…";
  try {
    const [skin, pattern] = await Promise.all([asked(`${root.dataset.skin}?${placement()}`), state.pattern || asked(`${root.dataset.pattern}?${placement()}`)]);
    state.skin = skin;
    state.pattern = pattern;
    state.pattern.bytes ||= Uint8Array.from(atob(pattern.light), (one) => one.charCodeAt(0));
    state.whole = null;
    document.getElementById("piece-words").textContent = `Piece ${skin.piece}; its skin is known within ${skin.error_mm.toFixed(2)} mm.`;
    await draw({ eye: eye() });
    judge();
  } catch (trouble) {
    words.textContent = `The piece cannot be shown: ${trouble.message}`;
    judge();
  }
}

function press(group, chosen, attribute) {
  for (const button of document.querySelectorAll(`[data-${attribute}]`)) button.setAttribute("aria-pressed", String(button.dataset[attribute] === chosen));
}

for (const button of document.querySelectorAll("[data-light]")) button.addEventListener("click", () => { state.light = button.dataset.light; press(0, state.light, "light"); draw(); });
for (const button of document.querySelectorAll("[data-drag]")) button.addEventListener("click", () => { state.drag = button.dataset.drag; press(0, state.drag, "drag"); grip.hidden = state.drag === "piece"; draw(); });
document.getElementById("distance").addEventListener("change", () => draw({ eye: eye() }));
form.addEventListener("input", (event) => { if (event.target.type === "range") changed(); });
form.elements.piece.addEventListener("change", () => { say(); load(); });
form.addEventListener("submit", (event) => event.preventDefault());

let held = null;
grip.addEventListener("pointerdown", (event) => { held = { x: event.clientX, y: event.clientY, lon: value("lon"), lat: value("lat") }; grip.setPointerCapture(event.pointerId); });
grip.addEventListener("pointermove", (event) => {
  if (!held) return;
  const perPx = 110 / grip.clientHeight; // degrees: the piece fills about three quarters of the stage
  form.elements.lat.value = Math.min(Math.max(held.lat - (event.clientY - held.y) * perPx, -50), 60);
  form.elements.lon.value = ((held.lon + (event.clientX - held.x) * perPx + 540) % 360) - 180;
  changed();
});
for (const end of ["pointerup", "pointercancel"]) grip.addEventListener(end, () => { held = null; });
grip.addEventListener("wheel", (event) => { event.preventDefault(); set("width", value("width") * (event.deltaY < 0 ? 1.03 : 0.97)); }, { passive: false });
grip.addEventListener("keydown", (event) => {
  const step = event.shiftKey ? 10 : 2;
  const moves = { ArrowLeft: ["lon", -step], ArrowRight: ["lon", step], ArrowUp: ["lat", step], ArrowDown: ["lat", -step], "+": ["width", 2 * step], "-": ["width", -2 * step], ",": ["turn", step], ".": ["turn", -step] };
  const move = moves[event.key];
  if (!move) return;
  event.preventDefault();
  set(move[0], value(move[0]) + move[1]);
});

const timer = document.getElementById("time-it");
if (timer) timer.addEventListener("click", async () => {
  const place = document.getElementById("times");
  const began = Date.now();
  timer.disabled = true;
  const tell = (text) => place.replaceChildren(Object.assign(document.createElement("p"), { textContent: text }));
  try {
    const answer = await fetch(root.dataset.time, { method: "POST", body: new URLSearchParams([...placement(), ["csrf_token", timer.dataset.token]]) });
    const { work_id: work, error } = await answer.json();
    if (!answer.ok) throw new Error(error);
    let told = { state: "waiting" };
    while (["waiting", "running"].includes(told.state)) {
      tell(`${told.state === "waiting" ? "Waiting for the worker" : "Laying the passes and timing them on every machine"}, ${Math.round((Date.now() - began) / 1000)} s so far`);
      await new Promise((done) => setTimeout(done, 700));
      told = await asked(root.dataset.works.replace("/0.json", `/${work}.json`));
    }
    if (told.state !== "done") throw new Error(told.error || told.state);
    if (!told.result.machines.length) return tell("No machine is recorded yet, so there is nothing to time it on.");
    const table = document.createElement("table");
    const head = table.createTHead().insertRow();
    for (const name of ["Machine", "Minutes", "Cutter life taken, or why not"]) head.append(Object.assign(document.createElement("th"), { textContent: name, scope: "col" }));
    const body = table.createTBody();
    for (const one of told.result.machines) {
      const row = body.insertRow();
      row.append(Object.assign(document.createElement("th"), { textContent: one.machine, scope: "row" }));
      row.insertCell().textContent = one.eligible ? `${Math.round(one.minutes)} min` : "✕ no";
      row.insertCell().textContent = one.eligible ? Object.entries(one.wear).map(([cutter, share]) => `${cutter} ${(100 * share).toFixed(1)} %`).join(", ") : one.reason;
    }
    place.replaceChildren(table);
  } catch (trouble) {
    tell(`It could not be timed: ${trouble.message}`);
  } finally {
    timer.disabled = false;
  }
});

say();
load();
