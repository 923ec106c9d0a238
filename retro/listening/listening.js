"use strict";

const byId = (id) => document.getElementById(id);
const ASK_AGAIN_MS = 2000;

let moves = { parts: [] };
let view = null;

// --- the server -------------------------------------------------------------------------------

class Refused extends Error {}

async function post(what, body, about = {}) {
  let answer;
  try {
    answer = await fetch(what, {
      method: "POST",
      headers: { "Content-Type": "application/json", ...about },
      body,
    });
    if (answer.status !== 200) throw new Error(answer.statusText);
  } catch (fault) {
    isGone();
    throw fault;
  }
  isThere();
  return answer;
}

async function askJson(what, body, about) {
  const reply = await (await post(what, body, about)).json();
  if (reply.refused) throw new Refused(reply.refused);
  return reply;
}

async function askSound(name, body) {
  const have = audio.held[name]?.tag;
  const answer = await post(name, body, have ? { "X-Have": have } : {});
  if (!answer.headers.has("X-Sound")) throw new Refused((await answer.json()).refused);
  const about = JSON.parse(answer.headers.get("X-Sound"));
  if (about.tag === have) return null;
  const interleaved = new Float32Array(await answer.arrayBuffer());
  return { ...about, channels: channelsOf(interleaved), is_longer: name === "song" };
}

function isGone() {
  byId("gone").textContent =
    "retro has ended in the terminal. What you hear is the last that it made; nothing is worked out or kept any more. Start it again there, and open the address that it prints.";
  byId("gone").hidden = false;
}

function isThere() {
  byId("gone").hidden = true;
}

function say(words) {
  byId("said").textContent = words;
  byId("said").classList.remove("refused");
}

function sayRefused(words) {
  byId("said").textContent = `${words}. What you see and hear is from before.`;
  byId("said").classList.add("refused");
}

// --- one question after the other -------------------------------------------------------------

let asked = 0; // moves made
let shown = 0; // moves whose numbers are shown
let heard = 0; // moves whose sound is there
const isBusy = { numbers: false, sound: false };

function ask() {
  asked += 1;
  say("Working it out.");
  askNumbers();
}

// Moves made meanwhile are asked about once, with the last of them; numbers wait for no sound.
async function askNumbers() {
  await alone("numbers", async () => {
    while (shown < asked) {
      const mine = asked;
      try {
        view = await askJson("plan", JSON.stringify(moves), { "X-Hears": audio.chosen });
        shown = mine;
        if (asked === mine && heard < mine) askSounds(); // what takes longest begins first
        show();
        say("Numbers as set; the sound follows.");
      } catch (fault) {
        if (!(fault instanceof Refused)) throw fault;
        sayRefused(fault.message);
        shown = heard = mine;
      }
    }
  });
}

async function askSounds() {
  await alone("sound", async () => {
    while (heard < shown) {
      const mine = shown;
      try {
        if (await fetchSounds(mine, JSON.stringify(moves))) heard = Math.max(heard, mine);
      } catch (fault) {
        if (!(fault instanceof Refused)) throw fault;
        sayRefused(fault.message);
        heard = Math.max(heard, mine);
      }
      if (asked !== mine) return; // its numbers come first, and ask again
    }
  });
}

async function alone(what, act) {
  if (isBusy[what]) return;
  isBusy[what] = true;
  try {
    await act();
  } catch {
    // The server is gone, and the page says so.
  } finally {
    isBusy[what] = false;
    if (what === "sound" && heard < shown && shown === asked && byId("gone").hidden) askSounds();
  }
}

// The chosen sound first; any new move breaks off.
async function fetchSounds(mine, body) {
  const order = [audio.chosen, ...SOUNDS.filter((name) => name !== audio.chosen)];
  if (view.has_song) order.splice(1, 0, "song");
  for (const name of order) {
    const sound = await askSound(name, body);
    if (asked !== mine) return false;
    if (sound) hear({ [name]: sound });
    if (name === order[0]) say("Numbers and sound as set.");
  }
  const plain = await askJson("errors", body);
  if (asked !== mine) return false;
  showPlain(plain);
  return true;
}

function hear(fresh) {
  const from = takeUp({ ...fresh, click: clickOf() }, endFrames());
  audio.at = from;
  if (audio.deck) play(from);
  byId("place").max = (audio.frames / audio.rate).toFixed(2);
  for (const button of document.querySelectorAll("button[data-sound]")) {
    button.disabled = !audio.held[button.dataset.sound];
  }
  showPlace();
}

// --- what the loop and the click need ---------------------------------------------------------

const bars = () => view.beats.filter(({ beat }) => beat === 1).map(({ at_s }) => at_s);

// Frames from the window's start to the end of the bar after it.
function endFrames() {
  const after_s = bars().find((at_s) => at_s > view.length_s + 0.01) ?? view.length_s + 1;
  return Math.round(after_s * view.rate);
}

function clickOf() {
  const first_s = Math.min(view.beats[0]?.at_s ?? 0, 0);
  return clicked(view.beats, first_s, endFrames() / view.rate);
}

function loopFrames() {
  const wanted = byId("loop").value;
  if (wanted === "none") return null;
  if (wanted === "all") return [0, audio.frames];
  const lines = bars();
  const lands_s = view.anchor?.at_s ?? view.length_s;
  const landing = lines.findLastIndex((at_s) => at_s <= lands_s + 0.001);
  const first = lines[Math.max(landing - Number(wanted), 0)];
  const last = lines[landing + 1] ?? lands_s + 1;
  const frame = (at_s) => Math.min(Math.max(Math.round(at_s * audio.rate) + audio.before, 0), audio.frames);
  return frame(first ?? 0) < frame(last) ? [frame(first ?? 0), frame(last)] : [0, audio.frames];
}

// --- listening --------------------------------------------------------------------------------

function press() {
  for (const button of document.querySelectorAll("button[data-sound]")) {
    button.setAttribute("aria-pressed", String(audio.deck !== null && button.dataset.sound === audio.chosen));
  }
}

async function choose(name) {
  if (audio.deck && audio.chosen === name) {
    stop();
  } else {
    audio.chosen = name;
    if (!(await wakeUp())) return;
    if (audio.deck) setGains();
    else play(audio.at < audio.frames - 1 ? audio.at : 0);
    requestAnimationFrame(follow);
  }
  press();
}

function finish() {
  stop();
  audio.at = 0;
  press();
  showPlace();
}

function follow() {
  if (!audio.deck) return;
  showPlace();
  requestAnimationFrame(follow);
}

function again() {
  if (audio.deck) play(at());
}

for (const button of document.querySelectorAll("button[data-sound]")) {
  button.disabled = true;
  button.addEventListener("click", () => choose(button.dataset.sound));
}
for (const id of ["with-click", "with-song"]) byId(id).addEventListener("change", setGains);
byId("loop").addEventListener("change", again);
byId("level").addEventListener("input", setLevel);
byId("song-level").addEventListener("input", () => {
  setLevel();
  setGains();
});
byId("place").addEventListener("input", (event) => {
  const frame = Math.round(Number(event.target.value) * audio.rate);
  if (audio.deck) play(frame);
  else audio.at = frame;
  showPlace();
});
setLevel();

// --- where we are -----------------------------------------------------------------------------

const SVG = "http://www.w3.org/2000/svg";
const cursor = document.createElementNS(SVG, "line");
cursor.id = "picture-cursor";

function showPlace() {
  if (!view) return;
  const window_s = (at() - audio.before) / audio.rate;
  byId("place").value = String(at() / audio.rate);
  byId("place").setAttribute("aria-valuetext", placeWords(window_s));
  byId("where").textContent = placeWords(window_s);
  const [start_s, end_s] = view.picture_span.s;
  const [left, right] = view.picture_span.px;
  const x = left + Math.min(Math.max((window_s - start_s) / (end_s - start_s), 0), 1) * (right - left);
  cursor.setAttribute("x1", x);
  cursor.setAttribute("x2", x);
  cursor.style.visibility = audio.deck ? "visible" : "hidden";
  cursor.dataset.at = window_s.toFixed(3);
}

function placeWords(window_s) {
  const beat = view.beats.findLast(({ at_s }) => at_s <= window_s + 0.0005);
  if (!beat) return `${(-window_s).toFixed(1)} s before the window`;
  return `song bar ${beat.bar} beat ${beat.beat}`;
}

// --- what comes of it -------------------------------------------------------------------------

const grouped = (number) => String(number).replace(/\B(?=(\d{3})+$)/g, " ");
const rounded = (ms) => (ms === null || ms === undefined ? "–" : ms.toFixed(ms < 9.95 ? 1 : 0));

function show() {
  audio.rate = view.rate;
  document.title = `Listen: ${view.title}`;
  byId("title").textContent = view.title;
  byId("heading").textContent = view.heading;
  for (const label of document.querySelectorAll(".of-song")) label.hidden = !view.has_song;
  showSettings();
  showTracks();
  showNumbers();
  showPicture();
  showFindings();
  showMoved();
}

function element(kind, words, attributes = {}) {
  const made = document.createElement(kind);
  if (words !== null) made.textContent = words;
  Object.assign(made, attributes);
  return made;
}

function showSettings() {
  for (const [key, planned] of Object.entries(view.settings)) {
    const value = moves[key] ?? planned; // the hand that moves is ahead of the answer
    for (const input of document.querySelectorAll(`[data-move="${key}"], [data-exact="${key}"]`)) {
      input.min = Math.min(Number(input.min), value);
      input.max = Math.max(Number(input.max), value);
      if (input !== document.activeElement) input.value = value;
    }
  }
  byId("of-swell").hidden = view.swell === null;
  if (view.swell !== null) showSwell(view.swell);
  const anchors = byId("lands_on");
  const places = view.landings.map(({ place, words }) => element("option", words, { value: place }));
  anchors.replaceChildren(...places);
  anchors.disabled = places.length === 0;
  anchors.value = view.anchor?.place ?? "";
  byId("lands_on-hint").textContent = anchorWords(view.anchor);
}

function showSwell({ beats, longest_beats }) {
  for (const input of document.querySelectorAll('[data-move="swell_beats"], [data-exact="swell_beats"]')) {
    input.max = String(Math.floor(2 * longest_beats) / 2);
    if (input !== document.activeElement) input.value = String(moves.swell_beats ?? beats);
  }
}

function anchorWords(anchor) {
  if (!anchor) return "Nothing lands in this window.";
  const apart = Object.entries(anchor.apart_ms).map(
    ([player, ms]) => `${player} ${Math.abs(ms).toFixed(0)} ms ${ms < 0 ? "early" : "late"}`,
  );
  const there = `Played from paper, there ${anchor.players.length === 1 ? "lands" : "land"} ${anchor.players.join(", ") || "nobody"}`;
  return `${there}${apart.length ? `; beside it ${apart.join(", ")}` : ""}.`;
}

let tracksShown = "";
function showTracks() {
  const rows = view.tracks;
  const body = byId("tracks").tBodies[0];
  const those = JSON.stringify(rows.map(({ match }) => match));
  if (those !== tracksShown) body.replaceChildren(...rows.map(trackRow));
  tracksShown = those;
  rows.forEach((track, index) => fillRow(body.rows[index], track));
}

function trackRow({ match, name }) {
  const row = element("tr", null);
  const plays = element("input", null, { type: "checkbox" });
  plays.setAttribute("aria-label", `${name} plays`);
  plays.addEventListener("change", () => movePart(match, { leave_out: !plays.checked }));
  const landing = element("select", null);
  landing.setAttribute("aria-label", `${name} lands on`);
  for (const value of ["end", "start"]) landing.append(element("option", value, { value }));
  landing.addEventListener("change", () => movePart(match, { landing: landing.value }));
  row.append(element("td", null), element("th", name, { scope: "row", dir: "auto" }), element("td", null));
  row.cells[0].append(plays);
  row.cells[2].append(landing, element("span", "", { className: "quiet" }));
  for (let i = 0; i < 3; i += 1) row.append(element("td", "", { className: "number" }));
  return row;
}

function fillRow(row, { match, name, players, landing, played_ms, written_ms }) {
  const who = players.join(", ");
  row.classList.toggle("out", players.length === 0);
  row.cells[0].firstChild.checked = players.length > 0;
  row.cells[1].textContent = who || name;
  if (who && who !== name) row.cells[1].append(element("span", ` (${name})`, { className: "quiet in-file" }));
  const [select, words] = row.cells[2].children;
  select.hidden = landing === null;
  if (landing !== null) select.value = landing;
  words.textContent = landing === null && players.length ? "end" : "";
  row.dataset.match = match;
  row.cells[3].textContent = "…";
  row.cells[4].textContent = rounded(played_ms);
  row.cells[5].textContent = rounded(written_ms);
}

function showNumbers() {
  const { figures } = view;
  byId("swell").textContent = `${figures.swell_s.toFixed(2)} s`;
  byId("swell-under").textContent = `from ${view.settings.audible_db} dB below the loudest tone on`;
  byId("clip-start").textContent = `${grouped(figures.clip_start_samples)} samples`;
  byId("clip-start-under").textContent = figures.clip_start;
  byId("keep-rolling").textContent = `${figures.roll_s.toFixed(2)} s`;
  byId("keep-rolling-under").textContent = `people spread by about ${figures.spread_ms.toFixed(0)} ms`;
}

function showPlain({ plain_ms }) {
  for (const row of byId("tracks").tBodies[0].rows) {
    row.cells[3].textContent = rounded(plain_ms[row.dataset.match]);
  }
}

function showPicture() {
  const root = new DOMParser().parseFromString(view.picture, "image/svg+xml").documentElement;
  const drawn = document.adoptNode(root);
  cursor.setAttribute("y1", "40");
  cursor.setAttribute("y2", String(drawn.viewBox.baseVal.height - 40));
  drawn.append(cursor);
  byId("picture").replaceChildren(drawn);
}

function showFindings() {
  const items = view.findings.map(({ severity, where, what, advice }) => {
    const item = element("li", null);
    const said = element("span", null);
    said.append(element("b", where, { dir: "auto" }), `: ${what}. `);
    if (advice) said.append(element("span", `${advice[0].toUpperCase()}${advice.slice(1)}.`, { className: "quiet" }));
    item.append(element("span", severity, { className: "severity" }), said);
    return item;
  });
  const list = document.querySelector(".findings");
  list.replaceChildren(...(items.length ? items : [element("li", "Nothing found.")]));
}

// --- moving -----------------------------------------------------------------------------------

function movePart(match, values) {
  byId("kept").textContent = "";
  const known = moves.parts.find((part) => part.match === match);
  if (known) Object.assign(known, values);
  else moves.parts.push({ match, ...values });
  ask();
}

function move(key, value) {
  byId("kept").textContent = "";
  moves[key] = value;
  ask();
}

for (const range of document.querySelectorAll('input[data-move]')) {
  const exact = document.querySelector(`[data-exact="${range.dataset.move}"]`);
  range.addEventListener("input", () => {
    exact.value = range.value;
    move(range.dataset.move, Number(range.value));
  });
  exact.addEventListener("change", () => {
    if (exact.value === "") return;
    range.value = exact.value;
    move(range.dataset.move, Number(exact.value));
  });
}
byId("lands_on").addEventListener("change", (event) => move("lands_on", event.target.value));

// --- keeping ----------------------------------------------------------------------------------

function movedWords() {
  const { parts, ...keys } = moves;
  const words = Object.entries(keys).map(([key, value]) => `${key} = ${value}`);
  for (const { match, ...values } of parts) {
    words.push(`${match}: ${Object.entries(values).map(([key, value]) => `${key} = ${value}`).join(", ")}`);
  }
  return words;
}

function showMoved() {
  const words = movedWords();
  byId("moved").textContent = words.length
    ? `Moved, and not yet kept in ${view.kept_in}: ${words.join("; ")}.`
    : `Nothing is moved: all as ${view.kept_in} and the defaults have it.`;
  byId("back").disabled = words.length === 0;
}

byId("keep").addEventListener("click", async () => {
  const body = JSON.stringify(moves);
  try {
    byId("kept").textContent = (await askJson("keep", body)).said;
    if (JSON.stringify(moves) === body) moves = { parts: [] };
    ask();
  } catch (fault) {
    if (fault instanceof Refused) byId("kept").textContent = fault.message;
  }
});

byId("back").addEventListener("click", () => {
  moves = { parts: [] };
  byId("kept").textContent = "";
  ask();
});

// --- files that are saved meanwhile, and a server that ends -------------------------------------

let files = null;
async function look() {
  try {
    const state = await askJson("state", "{}");
    if (files !== null && files !== state.files) ask();
    files = state.files;
  } catch {
    files = null;
  }
  setTimeout(look, ASK_AGAIN_MS);
}

ask();
look();
