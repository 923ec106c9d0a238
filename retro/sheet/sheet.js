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
let playing = null;

function bytesOf(base64) {
  return Uint8Array.from(atob(base64), (letter) => letter.charCodeAt(0));
}

function reversed(buffer) {
  const turned = context.createBuffer(buffer.numberOfChannels, buffer.length, buffer.sampleRate);
  for (let channel = 0; channel < buffer.numberOfChannels; channel += 1) {
    turned.getChannelData(channel).set(Float32Array.from(buffer.getChannelData(channel)).reverse());
  }
  return turned;
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
  if (context) return;
  context = new AudioContext();
  loudness = context.createGain();
  loudness.connect(context.destination);
  setLoudness();
  for (const name of ["target", "flipped"]) {
    sounds[name] = await context.decodeAudioData(bytesOf(page.audio[name]).buffer);
  }
  sounds.played = reversed(sounds.flipped);
  sounds.clicked = withClick(sounds.flipped);
}

function setLoudness() {
  const db = Number(byId("level").value);
  byId("level-says").textContent = `${db} dB`;
  if (loudness) loudness.gain.value = 10 ** (db / 20);
}

function stop() {
  if (!playing) return;
  playing.source.onended = null;
  playing.source.stop();
  playing = null;
  for (const button of document.querySelectorAll("button[data-sound]")) {
    button.setAttribute("aria-pressed", "false");
  }
  showNothing();
}

async function play(name, button) {
  const again = playing && playing.name === name;
  stop();
  if (again) return;
  await openSounds();
  await context.resume();
  const source = context.createBufferSource();
  source.buffer = sounds[name];
  source.loop = byId("loop").checked;
  source.connect(loudness);
  source.onended = stop;
  source.start();
  playing = { name, source, started_s: context.currentTime };
  button.setAttribute("aria-pressed", "true");
  requestAnimationFrame(follow);
}

for (const button of document.querySelectorAll("button[data-sound]")) {
  button.addEventListener("click", () => play(button.dataset.sound, button));
}
byId("level").addEventListener("input", setLoudness);
byId("loop").addEventListener("change", (event) => {
  if (playing) playing.source.loop = event.target.checked;
});
setLoudness();

// --- the moving cursor ----------------------------------------------------------------------

const svgSpace = "http://www.w3.org/2000/svg";
const picture = document.querySelector("#picture svg");
const cursor = document.createElementNS(svgSpace, "line");
cursor.id = "picture-cursor";
cursor.setAttribute("y1", "40");
cursor.setAttribute("y2", picture.viewBox.baseVal.height - 40);
picture.append(cursor);

function follow() {
  if (!playing) return;
  const buffer = sounds[playing.name];
  const at_s = (context.currentTime - playing.started_s) % buffer.duration;
  const window_s =
    playing.name === "played"
      ? buffer.duration - at_s - page.window_at_s
      : at_s - page.window_at_s;
  show(window_s);
  requestAnimationFrame(follow);
}

function show(window_s) {
  const [start_s, end_s] = page.picture.span_s;
  const share = (window_s - start_s) / (end_s - start_s);
  const [left, right] = page.picture.span_px;
  const x = left + Math.min(Math.max(share, 0), 1) * (right - left);
  cursor.setAttribute("x1", x);
  cursor.setAttribute("x2", x);
  cursor.style.visibility = "visible";
  cursor.dataset.at = window_s.toFixed(3);
  sound(beatsAt(plan.window.length_s - window_s));
}

function showNothing() {
  cursor.style.visibility = "hidden";
  sound(null);
}

// Insert time in quarter notes, the count-in included, as the score counts it.
function beatsAt(insert_s) {
  let beats = 0;
  let left_s = insert_s;
  const tempo = plan.insert.tempo;
  for (let i = 0; i < tempo.length; i += 1) {
    const quarter_s = tempo[i].us_per_quarter / 1e6;
    const end = i + 1 < tempo.length ? tempo[i + 1].at_beats : Infinity;
    const span_s = (end - tempo[i].at_beats) * quarter_s;
    if (left_s < span_s || i + 1 === tempo.length) {
      beats = tempo[i].at_beats + left_s / quarter_s;
      break;
    }
    left_s -= span_s;
  }
  return beats + plan.insert.count_in_beats;
}

let lit = [];
function sound(beats) {
  const now = beats === null ? [] : soundingAt(beats);
  if (now.join() === lit.join()) return;
  for (const id of lit) byId(id)?.classList.remove("sounding");
  for (const id of now) byId(id)?.classList.add("sounding");
  lit = now;
}

function soundingAt(beats) {
  const on = new Set();
  for (const moment of score.timemap) {
    if (moment.beats > beats) break;
    for (const id of moment.off) on.delete(id);
    for (const id of moment.on) on.add(id);
  }
  return [...on];
}

// --- see ------------------------------------------------------------------------------------

let score = { pages: [], timemap: [] };

async function unpacked(base64) {
  const stream = new Blob([bytesOf(base64)]).stream().pipeThrough(new DecompressionStream("gzip"));
  return JSON.parse(await new Response(stream).text());
}

async function openScore(index) {
  const opened = await unpacked(page.scores[index].packed);
  sound(null);
  score = opened;
  const parser = new DOMParser();
  const pages = opened.pages.map((svg) => parser.parseFromString(svg, "image/svg+xml"));
  byId("score").replaceChildren(...pages.map((each) => document.adoptNode(each.documentElement)));
  const words = `${page.scores[index].name}, ${opened.pages.length} pages`;
  byId("score").setAttribute("aria-label", words);
}

byId("which-score").addEventListener("change", (event) => openScore(Number(event.target.value)));
if (page.scores.length) openScore(0);

const noteWords = byId("note-says");
function tell(index) {
  for (const group of picture.querySelectorAll(".note.chosen")) group.classList.remove("chosen");
  const group = picture.querySelector(`.note[data-note="${index}"]`);
  if (!group) return;
  group.classList.add("chosen");
  const note = plan.notes[index];
  const part = plan.parts[note.part];
  noteWords.textContent = `${part.name}: ${group.querySelector("title").textContent.replaceAll("\n", "; ")}`;
}

picture.addEventListener("pointerover", (event) => {
  const group = event.target.closest(".note");
  if (group) tell(group.dataset.note);
});
picture.addEventListener("click", (event) => {
  const group = event.target.closest(".note");
  if (group) tell(group.dataset.note);
});

for (const button of document.querySelectorAll("button[data-finding]")) {
  button.addEventListener("click", () => {
    const finding = plan.findings[Number(button.dataset.finding)];
    const part = plan.parts.findIndex((each) => each.name === finding.player);
    const which = page.scores.findIndex((each) => each.name === finding.player);
    if (which >= 0) {
      byId("which-score").value = String(which);
      openScore(which);
    }
    const note = plan.notes.findIndex(
      (each) => each.part === part && each.written_off_beats > page.finding_beats[button.dataset.finding],
    );
    if (note >= 0) tell(note);
    byId("picture").scrollIntoView({ block: "center" });
  });
}

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

const answers = {
  clip_start_samples: (at) => at.clip_start_samples,
  clip_start_ms: (at) => at.clip_start_ms.toFixed(3),
  time_reference_samples: (at) => at.time_reference_samples ?? "none: before midnight",
  tail_kept_samples: (at) => at.tail_kept_samples,
  shift_samples: (at) => at.shift_samples,
  export_start_samples: (at) => at.export_start_samples,
  export_end_samples: (at) => at.export_end_samples,
  clip_length_samples: (at) => at.clip_length_samples,
};

function recompute() {
  const wanted = readForm();
  const problem = problemIn(wanted);
  const placed = problem ? { error: problem } : placeClip(page.passage, wanted.session, wanted.take);
  byId("calculator-says").textContent = placed.error ?? "";
  for (const [name, value] of Object.entries(answers)) {
    byId(`answer-${name}`).textContent = placed.error ? "–" : String(value(placed));
  }
  for (const name of Object.keys(FRAME_RATES)) {
    const at = placed.error ? null : placed.timecodes[name];
    byId(`timecode-${name}`).textContent = at?.timecode ?? "–";
    byId(`subframe-${name}`).textContent = at?.timecode ? at.subframe_samples.toFixed(2) : "–";
  }
}

form.addEventListener("input", recompute);
form.addEventListener("submit", (event) => event.preventDefault());
recompute();
