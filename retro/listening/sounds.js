"use strict";

// The sounds of the page. All lie on one timeline, in frames; window time 0 is frame `before`. They
// sound together, and all but the chosen one are silent: so a switch leaves no gap.

const SOUNDS = ["target", "plain", "flipped"];
const FADE_S = 0.012;
const AHEAD_S = 0.03;

const audio = {
  context: null,
  master: null,
  rate: 48000,
  before: 0,
  frames: 0,
  held: {}, // by name: {tag, lufs, buffer, start, length}: `length` frames from frame `start` on
  deck: null, // what sounds: {sources, gains, out, when_s, began_s, loop}
  chosen: "flipped",
  at: 0, // frame at which it stands still
};

// --- one timeline -----------------------------------------------------------------------------

// Take sounds up, {name: {tag, lufs, window_start, channels, is_longer}}, and return the frame that
// is heard now on the new timeline. It reaches `after` frames from the window's start at least; what
// is longer than the swells is cut to it, and kept whole for the next timeline.
function takeUp(fresh, after) {
  const spans = Object.entries({ ...audio.held, ...fresh }).map(([name, sound]) => {
    const known = fresh[name] ?? sound.whole;
    const start = known ? -known.window_start : sound.start - audio.before;
    return [name, start, known ? known.channels[0].length : sound.length];
  });
  const swells = spans.filter(([name]) => SOUNDS.includes(name));
  const before = Math.max(audio.rate, ...swells.map(([, start]) => -start));
  const frames = before + Math.max(after, ...swells.map(([, start, length]) => start + length));
  const now = at();
  const moved = before - audio.before;
  const held = {};
  for (const [name, start, length] of spans) {
    const old = audio.held[name];
    if (!fresh[name] && moved === 0 && frames === audio.frames) held[name] = old;
    else held[name] = laid(fresh[name] ?? old.whole ?? cutOut(old), start + before, frames);
  }
  Object.assign(audio, { before, frames, held });
  return Math.min(Math.max(now + moved, 0), frames - 1);
}

function cutOut(sound) {
  const channels = [0, 1].map((channel) =>
    sound.buffer.getChannelData(channel).subarray(sound.start, sound.start + sound.length),
  );
  return { ...sound, channels };
}

function laid(sound, start, frames) {
  const { tag, lufs, channels } = sound;
  const buffer = new AudioBuffer({ numberOfChannels: 2, length: frames, sampleRate: audio.rate });
  const first = Math.max(start, 0);
  const length = Math.max(Math.min(start + channels[0].length, frames) - first, 0);
  for (const channel of [0, 1]) {
    buffer.copyToChannel(channels[channel].subarray(first - start, first - start + length), channel, first);
  }
  return { tag, lufs, buffer, start: first, length, whole: sound.is_longer ? sound : null };
}

// Interleaved frames as channels.
function channelsOf(interleaved) {
  const length = interleaved.length / 2;
  const channels = [new Float32Array(length), new Float32Array(length)];
  for (let i = 0; i < length; i += 1) {
    channels[0][i] = interleaved[2 * i];
    channels[1][i] = interleaved[2 * i + 1];
  }
  return channels;
}

// A click on each beat, {at_s, beat}, over a window and what lies around it.
function clicked(beats, from_s, to_s) {
  const { rate } = audio;
  const samples = new Float32Array(Math.max(Math.ceil((to_s - from_s) * rate), 1));
  const length = Math.floor(0.02 * rate);
  for (const beat of beats) {
    const start = Math.round((beat.at_s - from_s) * rate);
    const hertz = beat.beat === 1 ? 1760 : 1174.66;
    for (let i = Math.max(-start, 0); i < length && start + i < samples.length; i += 1) {
      const shape = 0.5 - 0.5 * Math.cos((2 * Math.PI * i) / length);
      samples[start + i] = 0.06 * shape * Math.sin((2 * Math.PI * hertz * i) / rate);
    }
  }
  const window_start = Math.round(-from_s * rate);
  return { tag: "click", lufs: null, window_start, channels: [samples, samples], is_longer: true };
}

// --- playing ----------------------------------------------------------------------------------

// Whether sound can be played: not every browser plays every rate.
async function wakeUp() {
  if (!audio.context) {
    try {
      audio.context = new AudioContext({ sampleRate: audio.rate });
    } catch (fault) {
      sayRefused(`This browser does not play ${audio.rate} frames a second (${fault.message}); set another rate`);
      return false;
    }
    audio.master = audio.context.createGain();
    audio.master.connect(audio.context.destination);
    setLevel();
  }
  await audio.context.resume();
  return true;
}

function setLevel() {
  const db = Number(byId("level").value);
  byId("level-says").textContent = `${db} dB`;
  byId("song-level-says").textContent = `${byId("song-level").value} dB`;
  if (audio.master) audio.master.gain.setTargetAtTime(10 ** (db / 20), audio.context.currentTime, 0.01);
  if (audio.master && !audio.deck) audio.master.gain.value = 10 ** (db / 20);
}

// All sounds are brought to the loudness of the quietest.
function gainOf(name) {
  if (name === "click") return byId("with-click").checked ? 1 : 0;
  const known = SOUNDS.map((each) => audio.held[each]?.lufs ?? null).filter((lufs) => lufs !== null);
  const { lufs } = audio.held[name];
  const equal_db = lufs === null || !known.length ? 0 : Math.min(...known) - lufs;
  if (name !== "song") return name === audio.chosen ? 10 ** (equal_db / 20) : 0;
  if (!byId("with-song").checked) return 0;
  return 10 ** ((equal_db + Number(byId("song-level").value)) / 20);
}

function setGains() {
  if (!audio.deck) return;
  const now_s = audio.context.currentTime;
  for (const [name, { gain }] of Object.entries(audio.deck.gains)) {
    gain.cancelScheduledValues(now_s);
    gain.setValueAtTime(gain.value, now_s);
    gain.linearRampToValueAtTime(gainOf(name), now_s + FADE_S);
  }
}

// Play on from a frame, out of what sounded until now.
function play(from) {
  const { context } = audio;
  const when_s = context.currentTime + AHEAD_S;
  const loop = loopFrames();
  const inside = loop && (from < loop[0] || from >= loop[1]) ? loop[0] : from;
  const out = context.createGain();
  out.connect(audio.master);
  out.gain.setValueAtTime(0, when_s);
  out.gain.linearRampToValueAtTime(1, when_s + FADE_S);
  const deck = { out, loop, sources: [], gains: {}, when_s, began_s: when_s - inside / audio.rate };
  for (const [name, { buffer }] of Object.entries(audio.held)) {
    const source = context.createBufferSource();
    const gain = context.createGain();
    gain.gain.value = gainOf(name);
    source.buffer = buffer;
    source.connect(gain).connect(out);
    if (loop) Object.assign(source, { loop: true, loopStart: loop[0] / audio.rate, loopEnd: loop[1] / audio.rate });
    source.start(when_s, inside / audio.rate);
    deck.sources.push(source);
    deck.gains[name] = gain;
  }
  if (!loop && deck.sources.length) deck.sources[0].onended = () => audio.deck === deck && finish();
  fadeOut(audio.deck, when_s);
  audio.deck = deck;
}

function fadeOut(deck, when_s) {
  if (!deck) return;
  deck.sources.forEach((source) => {
    source.onended = null;
    source.stop(when_s + 2 * FADE_S);
  });
  deck.out.gain.cancelScheduledValues(when_s);
  deck.out.gain.setValueAtTime(1, when_s);
  deck.out.gain.linearRampToValueAtTime(0, when_s + FADE_S);
  setTimeout(() => deck.out.disconnect(), 1000 * (AHEAD_S + 3 * FADE_S));
}

function stop() {
  audio.at = at();
  if (audio.deck) fadeOut(audio.deck, audio.context.currentTime);
  audio.deck = null;
}

// The frame that is heard now.
function at() {
  if (!audio.deck) return audio.at;
  const { began_s, when_s, loop } = audio.deck;
  const frame = (Math.max(audio.context.currentTime, when_s) - began_s) * audio.rate;
  if (!loop || frame < loop[1]) return Math.min(frame, audio.frames);
  return loop[0] + ((frame - loop[0]) % (loop[1] - loop[0]));
}
