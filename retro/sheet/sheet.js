"use strict";

const page = JSON.parse(document.getElementById("page-data").textContent);
const plan = page.plan;
const byId = (id) => document.getElementById(id);

// --- copy -----------------------------------------------------------------------------------

async function copyText(text) {
  try {
    await navigator.clipboard.writeText(text);
    return true;
  } catch {
    const field = document.createElement("textarea");
    field.value = text;
    document.body.append(field);
    field.select();
    const copied = document.execCommand("copy");
    field.remove();
    return copied;
  }
}

for (const button of document.querySelectorAll("button[data-copy]")) {
  button.addEventListener("click", async () => {
    const copied = await copyText(byId(button.dataset.copy).dataset.plain);
    byId("said").textContent = copied ? "Copied." : "Copying is not allowed here.";
  });
}

// --- listen ---------------------------------------------------------------------------------

const sounds = {};
let context = null;
let loudness = null;
let opening = null;
let playing = null;
let place_s = 0; // in the flipped sound; "played" runs through it backwards

function bytesOf(base64) {
  return Uint8Array.from(atob(base64), (letter) => letter.charCodeAt(0));
}

function reversed(buffer) {
  const copy = context.createBuffer(buffer.numberOfChannels, buffer.length, buffer.sampleRate);
  for (let channel = 0; channel < buffer.numberOfChannels; channel += 1) {
    copy.getChannelData(channel).set(Float32Array.from(buffer.getChannelData(channel)).reverse());
  }
  return copy;
}

function withClick(buffer) {
  const mixed = context.createBuffer(buffer.numberOfChannels, buffer.length, buffer.sampleRate);
  const length = Math.floor(0.02 * buffer.sampleRate);
  for (let channel = 0; channel < buffer.numberOfChannels; channel += 1) {
    const samples = mixed.getChannelData(channel);
    samples.set(buffer.getChannelData(channel));
    for (const beat of page.song_beats) {
      const start = Math.round((page.window_at_s + beat.at_s) * buffer.sampleRate);
      const hertz = beat.accent ? 1760 : 1174.66;
      for (let i = 0; i < length && start + i < samples.length; i += 1) {
        const shape = 0.5 - 0.5 * Math.cos((2 * Math.PI * i) / length);
        samples[start + i] += 0.2 * shape * Math.sin((2 * Math.PI * hertz * i) / buffer.sampleRate);
      }
    }
  }
  return mixed;
}

async function openSounds() {
  for (const name of ["target", "flipped"]) {
    sounds[name] = await context.decodeAudioData(bytesOf(page.audio[name]).buffer);
  }
  sounds.played = reversed(sounds.flipped);
  sounds.clicked = withClick(sounds.flipped);
}

function wakeUp() {
  if (!context) {
    context = new AudioContext();
    loudness = context.createGain();
    loudness.connect(context.destination);
    setLoudness();
    opening = openSounds();
  }
  return Promise.all([opening, context.resume()]);
}

function setLoudness() {
  const db = Number(byId("level").value);
  byId("level-says").textContent = `${db} dB`;
  if (loudness) loudness.gain.value = 10 ** (db / 20);
}

function press(name) {
  for (const button of document.querySelectorAll("button[data-sound]")) {
    button.setAttribute("aria-pressed", String(button.dataset.sound === name));
  }
}

function stop() {
  if (!playing) return;
  playing.source.onended = null;
  playing.source.stop();
  playing = null;
  press(null);
}

const turned = (name, at_s, length_s) => (name === "played" ? length_s - at_s : at_s);

function start(name) {
  stop();
  const source = context.createBufferSource();
  source.buffer = sounds[name];
  source.loop = byId("loop").checked;
  source.connect(loudness);
  source.onended = finish;
  const length_s = source.buffer.duration;
  const wanted_s = turned(name, place_s, length_s);
  const from_s = wanted_s < length_s - 0.1 ? Math.max(wanted_s, 0) : 0;
  source.start(0, from_s);
  playing = { name, source, began_s: context.currentTime - from_s };
  press(name);
  requestAnimationFrame(follow);
}

function finish() {
  place_s = playing.name === "played" ? page.sound_s : 0;
  stop();
  showNothing();
}

let wanted = null;
async function toggle(name) {
  const again = playing?.name === name || wanted === name;
  wanted = again ? null : name;
  if (again) {
    stop();
    showNothing();
    return;
  }
  await wakeUp();
  if (wanted === name) start(name);
  wanted = null;
}

function go(to_s) {
  place_s = Math.min(Math.max(to_s, 0), page.sound_s);
  if (playing) start(playing.name);
  else show(place_s - page.window_at_s);
}

for (const button of document.querySelectorAll("button[data-sound]")) {
  button.addEventListener("click", () => toggle(button.dataset.sound));
}
byId("level").addEventListener("input", setLoudness);
byId("loop").addEventListener("change", (event) => {
  if (playing) playing.source.loop = event.target.checked;
});
byId("place").max = page.sound_s.toFixed(2);
byId("place").addEventListener("input", (event) => go(Number(event.target.value)));
setLoudness();

// --- where we are ---------------------------------------------------------------------------

const length_s = plan.window.length_s;
const letter = plan.insert.letter;

// The insert's tempo as spans of quarter notes and seconds.
const tempo = [];
for (const each of plan.insert.tempo) {
  const before = tempo.at(-1);
  const at_s = before ? before.at_s + (each.at_beats - before.at_beats) * before.quarter_s : 0;
  tempo.push({ at_beats: each.at_beats, at_s, quarter_s: each.us_per_quarter / 1e6 });
}

function beatsAt(insert_s) {
  const span = tempo.findLast((each) => each.at_s <= insert_s) ?? tempo[0];
  return span.at_beats + (insert_s - span.at_s) / span.quarter_s;
}

function secondsAt(beats) {
  const span = tempo.findLast((each) => each.at_beats <= beats) ?? tempo[0];
  return span.at_s + (beats - span.at_beats) * span.quarter_s;
}

function placeWords(window_s) {
  if (window_s < 0) return `${(-window_s).toFixed(1)} s before ${page.window_starts} of the song`;
  if (Math.abs(window_s - length_s) < 0.05) return `${page.window_ends} of the song, start of the insert`;
  if (window_s > length_s) return `${(window_s - length_s).toFixed(1)} s after ${page.window_ends} of the song`;
  const beat = page.song_beats.findLast((each) => each.at_s <= window_s) ?? page.song_beats[0];
  const beats = beatsAt(length_s - window_s);
  const bar = plan.insert.bars.findLast((each) => each.start_beats <= beats) ?? plan.insert.bars[0];
  return `song bar ${beat.bar} beat ${beat.beat}, insert ${letter}${bar.number}`;
}

// --- the moving cursor ----------------------------------------------------------------------

const svgSpace = "http://www.w3.org/2000/svg";
const paper = byId("picture");
const picture = paper.querySelector("svg");
const cursor = document.createElementNS(svgSpace, "line");
cursor.id = "picture-cursor";
cursor.setAttribute("y1", "40");
cursor.setAttribute("y2", picture.viewBox.baseVal.height - 40);
picture.append(cursor);

function follow() {
  if (!playing) return;
  const buffer = playing.source.buffer;
  const gone_s = context.currentTime - playing.began_s;
  const at_s = playing.source.loop ? gone_s % buffer.duration : Math.min(gone_s, buffer.duration);
  place_s = turned(playing.name, at_s, buffer.duration);
  show(place_s - page.window_at_s);
  requestAnimationFrame(follow);
}

function show(window_s) {
  const [start_s, end_s] = page.picture.span_s;
  const [left, right] = page.picture.span_px;
  const share = Math.min(Math.max((window_s - start_s) / (end_s - start_s), 0), 1);
  const x = left + share * (right - left);
  cursor.setAttribute("x1", x);
  cursor.setAttribute("x2", x);
  cursor.style.visibility = "visible";
  cursor.dataset.at = window_s.toFixed(3);
  keepInSight(paper, (x / picture.viewBox.baseVal.width) * picture.clientWidth);
  const slider = byId("place");
  slider.value = window_s + page.window_at_s;
  slider.setAttribute("aria-valuetext", placeWords(window_s));
  byId("where").textContent = placeWords(window_s);
  const beats = beatsAt(length_s - window_s) + plan.insert.count_in_beats;
  sound(beats);
  moveScoreCursor(beats);
}

function showNothing() {
  cursor.style.visibility = "hidden";
  scoreCursor.hidden = true;
  sound(null);
}

function keepInSight(scroller, x) {
  const { scrollLeft, clientWidth, scrollWidth } = scroller;
  if (scrollWidth <= clientWidth + 1) return;
  if (x < scrollLeft + 0.08 * clientWidth || x > scrollLeft + 0.92 * clientWidth) {
    scroller.scrollLeft = x - clientWidth / 2;
  }
}

// What sounds now, as the engraved score names it.
let lit = [];
function sound(beats) {
  const now = beats === null ? [] : soundingAt(beats);
  if (now.join() === lit.join()) return;
  for (const each of score.panel.querySelectorAll(".sounding")) each.classList.remove("sounding");
  for (const id of now) score.panel.querySelector(`[id="${id}"]`)?.classList.add("sounding");
  lit = now;
}

function soundingAt(beats) {
  const on = new Set();
  for (const moment of score.moments) {
    if (moment.beats > beats) break;
    for (const id of moment.off) on.delete(id);
    for (const id of moment.on) on.add(id);
  }
  return [...on];
}

// A note and what is tied on to it.
const written = (id) => score.panel.querySelectorAll(`[id="${id}"], [id^="${id}-"]`);

// --- the score ------------------------------------------------------------------------------

const MAX_STAFF_SHARE = 0.75; // of the window's height, for one system
const MIN_PX = 700;
const EDGES_PX = 40;

const score = { panel: byId("score"), moments: [], bars: [], size: 1, part: null };
const scoreCursor = document.createElement("div");
scoreCursor.id = "score-cursor";
scoreCursor.hidden = true;

async function unpacked(base64) {
  const stream = new Blob([bytesOf(base64)]).stream().pipeThrough(new DecompressionStream("gzip"));
  return JSON.parse(await new Response(stream).text());
}

// The page's policy lets no inline style in; a script that it knows may set styles.
const adopted = new Set();
function adopt(styles) {
  for (const words of styles.filter((each) => !adopted.has(each))) {
    adopted.add(words);
    const sheet = new CSSStyleSheet();
    sheet.replaceSync(words);
    document.adoptedStyleSheets.push(sheet);
  }
}

function musicLine(svg) {
  const system = document.createElement("div");
  system.className = "music-line";
  const root = new DOMParser().parseFromString(svg, "image/svg+xml").documentElement;
  for (const each of root.querySelectorAll("[data-style]")) each.style.cssText = each.dataset.style;
  root.setAttribute("aria-hidden", "true");
  system.append(document.adoptNode(root));
  return system;
}

function withPageName(systems, index, pages) {
  if (pages.length === 1) return systems;
  const name = document.createElement("p");
  name.className = "page-name";
  name.textContent = `page ${index + 1} of ${pages.length}`;
  return [name, ...systems];
}

let asked = null;
async function openScore(index) {
  const { name, part, advice, packed } = page.scores[index];
  asked = index;
  byId("which-score").value = String(index);
  const opened = await unpacked(packed);
  if (asked !== index) return;
  sound(null);
  scoreCursor.hidden = true;
  adopt(opened.styles);
  const systems = opened.pages.map((page) => page.map(musicLine));
  byId("score-advice").textContent = advice.join("\n");
  score.panel.replaceChildren(...systems.flatMap(withPageName));
  score.panel.setAttribute("aria-label", `${name}; the table below says the same in words`);
  score.panel.scrollTo(0, 0);
  Object.assign(score, { moments: opened.moments, part, index });
  fit();
  score.bars = readBars(systems.flat(), opened.bars);
  if (byId("notes").open) writeTable();
}

function fit() {
  const roots = [...score.panel.querySelectorAll(".music-line > svg")];
  const tallest = Math.max(...roots.map(({ viewBox: { baseVal } }) => baseVal.height / baseVal.width));
  const wide = Math.min(score.panel.clientWidth - EDGES_PX, (MAX_STAFF_SHARE * window.innerHeight) / tallest);
  score.panel.style.setProperty("--music", `${Math.max(wide, MIN_PX) * score.size}px`);
}

// Where each bar stands: its system, its span in quarter notes, and points {beats, x}, x being a
// share of the system's width. A drawn bar stands for as many bars as `held` says.
function readBars(systems, held) {
  const count = plan.insert.count_in_bars;
  const lead = plan.insert.count_in_beats;
  const spans = [
    ...Array.from({ length: count }, (_, i) => [(i * lead) / count, ((i + 1) * lead) / count]),
    ...plan.insert.bars.map((bar) => [bar.start_beats, bar.start_beats + bar.length_beats].map((b) => b + lead)),
  ];
  const drawn = systems.flatMap((system) =>
    [...system.querySelectorAll("g.measure")].map((measure) => ({ system, measure })),
  );
  let bar = 0;
  return drawn.map(({ system, measure }, i) => {
    const first = spans[bar];
    bar += held[i];
    return readBar(system, measure, first[0], spans[bar - 1][1]);
  });
}

function readBar(system, measure, start, end) {
  const { left, width } = system.firstChild.getBoundingClientRect();
  const share = (x) => (x - left) / width;
  const lines = measure.querySelector("g.staff path").getBoundingClientRect();
  const points = new Map();
  for (const moment of score.moments) {
    if (moment.beats < start || moment.beats >= end) continue;
    const heads = moment.on.map((id) => measure.querySelector(`[id="${id}"] .notehead`)).filter(Boolean);
    const middles = heads.map((head) => head.getBoundingClientRect()).map((box) => box.left + box.width / 2);
    if (middles.length) points.set(moment.beats, share(Math.min(...middles)));
  }
  if (!points.has(start)) points.set(start, share(lines.left + 0.1 * lines.width));
  points.set(end, share(lines.right));
  const inOrder = [...points].map(([beats, x]) => ({ beats, x })).sort((a, b) => a.beats - b.beats);
  return { system, start, end, points: inOrder };
}

function moveScoreCursor(beats) {
  const bar = score.bars.findLast((each) => each.start <= beats) ?? score.bars[0];
  scoreCursor.hidden = !bar;
  if (!bar) return;
  const next = bar.points.findIndex((each) => each.beats > beats);
  const to = bar.points.at(next);
  const from = next > 0 ? bar.points[next - 1] : to;
  const share = to === from ? 0 : (beats - from.beats) / (to.beats - from.beats);
  const x = from.x + Math.min(Math.max(share, 0), 1) * (to.x - from.x);
  scoreCursor.style.left = `${100 * x}%`;
  scoreCursor.dataset.beats = beats.toFixed(3);
  if (scoreCursor.parentNode !== bar.system) {
    bar.system.append(scoreCursor);
    const before = bar.system.previousElementSibling;
    score.panel.scrollTop = (before?.matches(".page-name") ? before : bar.system).offsetTop - 6;
  }
  keepInSight(score.panel, x * bar.system.clientWidth);
}

byId("which-score").addEventListener("change", (event) => openScore(Number(event.target.value)));
for (const button of document.querySelectorAll("button[data-size]")) {
  button.addEventListener("click", () => {
    score.size = Math.min(Math.max(score.size * Number(button.dataset.size), 0.5), 3);
    fit();
  });
}
window.addEventListener("resize", fit);

// --- the notes ------------------------------------------------------------------------------

const noteWords = byId("note-says");
let chosen = null;

const span = (from_s, to_s) => `${from_s.toFixed(2)} to ${to_s.toFixed(2)}`;

function valuesOf(index) {
  const note = plan.notes[index];
  const { pitch, read_at } = page.notes[index];
  return {
    player: plan.parts[note.part].name,
    sounds: pitch,
    "read at": read_at,
    "wanted, s": span(note.target_on_s, note.target_off_s),
    "played, s": span(note.played_on_s, note.played_off_s),
    "heard from, s": moment(note.audible_from_s),
    "full, s": moment(note.full_s),
    "lands, s": moment(note.lands_s),
    "as written lands, ms": late(note.written_landing_error_ms),
  };
}

// A tone that grows from nothing or dies away has no such moment.
function moment(at_s) {
  return at_s === null ? "no moment" : at_s.toFixed(2);
}

function late(written_error_ms) {
  if (written_error_ms === null) return "no moment";
  const whole = Math.round(written_error_ms + plan.placement.shift_ms);
  if (whole === 0) return "on time";
  return `${Math.abs(whole)} ${whole > 0 ? "late" : "early"}`;
}

function tell(index) {
  for (const each of document.querySelectorAll(".chosen")) each.classList.remove("chosen");
  const values = Object.entries(valuesOf(index));
  picture.querySelector(`.note[data-note="${index}"]`)?.classList.add("chosen");
  for (const each of written(`n${page.notes[index].head}`)) each.classList.add("chosen");
  const [[, player], [, pitch], ...others] = values;
  noteWords.textContent = `${player}, ${pitch}: ${others.map(([name, value]) => `${name} ${value}`).join("; ")}`;
  chosen = index;
}

function noteUnder(target) {
  const drawn = target.closest("#picture .note");
  if (drawn) return Number(drawn.dataset.note);
  const id = /^n([0-9]+)(-[0-9]+)?$/.exec(target.closest("#score g.note")?.id ?? "");
  return id ? Number(id[1]) : null;
}

for (const surface of [paper, score.panel]) {
  for (const kind of ["pointerover", "click"]) {
    surface.addEventListener(kind, (event) => {
      const index = noteUnder(event.target);
      if (index !== null) tell(index);
    });
  }
}

const inTime = plan.notes.map((_, index) => index);
inTime.sort((a, b) => plan.notes[a].part - plan.notes[b].part || plan.notes[a].target_on_s - plan.notes[b].target_on_s);

function step(by) {
  const at = chosen === null ? (by > 0 ? -1 : inTime.length) : inTime.indexOf(chosen);
  return inTime[Math.min(Math.max(at + by, 0), inTime.length - 1)];
}

function otherPart(by) {
  const part = chosen === null ? -1 : plan.notes[chosen].part;
  const from_s = chosen === null ? 0 : plan.notes[chosen].target_on_s;
  const theirs = inTime.filter((index) => plan.notes[index].part === part + by);
  const near = (index) => Math.abs(plan.notes[index].target_on_s - from_s);
  return theirs.length ? theirs.reduce((a, b) => (near(b) < near(a) ? b : a)) : (chosen ?? inTime[0]);
}

const STEPS = {
  ArrowRight: () => step(1),
  ArrowLeft: () => step(-1),
  ArrowDown: () => otherPart(1),
  ArrowUp: () => otherPart(-1),
};

paper.addEventListener("keydown", (event) => {
  if (event.target !== paper || !STEPS[event.key] || !inTime.length) return;
  event.preventDefault();
  tell(STEPS[event.key]());
});

function writeTable() {
  const table = document.createElement("table");
  const head = table.createTHead().insertRow();
  for (const name of Object.keys(valuesOf(inTime[0]))) cell(head, "th", name).scope = "col";
  const body = table.createTBody();
  for (const index of inTime) {
    if (score.part !== null && plan.notes[index].part !== score.part) continue;
    const row = body.insertRow();
    const [name, ...values] = Object.values(valuesOf(index));
    cell(row, "th", name).scope = "row";
    for (const value of values) cell(row, "td", value);
  }
  byId("notes").querySelector(".scroll").replaceChildren(table);
}

function cell(row, kind, words) {
  const made = document.createElement(kind);
  made.textContent = words;
  made.dir = "auto";
  row.append(made);
  return made;
}

byId("notes").addEventListener("toggle", writeTable);

// --- findings -------------------------------------------------------------------------------

async function showFinding(index) {
  const place = page.findings[index];
  if (place.score !== null) await openScore(place.score);
  stop();
  go(secondsToPlace(place.beats));
  if (place.note !== null) tell(place.note);
  paper.scrollIntoView({ block: "start" });
}

const secondsToPlace = (beats) => length_s - secondsAt(beats) + page.window_at_s;

for (const button of document.querySelectorAll("button[data-finding]")) {
  button.addEventListener("click", () => showFinding(Number(button.dataset.finding)));
}

byId("where").textContent = placeWords(-page.window_at_s);
if (page.scores.length) openScore(0);

// --- the engineer's calculator ----------------------------------------------------------------

const form = byId("calculator");

function whole_or(text, otherwise) {
  const trimmed = text.trim();
  if (trimmed === "") return otherwise;
  return /^-?[0-9]{1,15}$/.test(trimmed) ? trimmed : undefined;
}

function readForm() {
  const late = form.late.value.trim();
  return {
    session: {
      rate: Number(form.rate.value),
      start: form.start.value,
      frame_rate: form.frame_rate.value,
    },
    take: {
      phrase_start: whole_or(form.phrase_start.value, "0"),
      take_end: whole_or(form.take_end.value, null),
      late_ms: late === "" ? null : Number(late),
    },
  };
}

function problemIn({ session, take }) {
  if (!Number.isInteger(session.rate) || session.rate < 8000) return "the rate is no whole number of frames";
  if (take.phrase_start === undefined) return "the phrase start is no whole number of frames";
  if (take.take_end === undefined) return "the take's end is no whole number of frames";
  if (take.late_ms !== null && !Number.isFinite(take.late_ms)) return "the lateness is no number of ms";
  return null;
}

function recompute() {
  const wanted = readForm();
  const problem = problemIn(wanted);
  const placed = problem ? { error: problem } : placeClip(page.passage, wanted.session, wanted.take);
  byId("calculator-says").textContent = placed.error ?? "";
  const { session } = wanted;
  const cells = placed.error
    ? {}
    : placementCells(placed, session, plan.song.tempo, page.passage.song_bars, page.own_rate);
  for (const row of document.querySelectorAll("tr[data-row]")) {
    const written = cells[row.dataset.row] ?? ["–"];
    row.classList.toggle("own", row.dataset.row === `timecode ${session.frame_rate}`);
    for (const [column, value] of written.entries()) row.cells[column + 1].textContent = value;
  }
}

form.addEventListener("input", recompute);
form.addEventListener("submit", (event) => event.preventDefault());
recompute();
