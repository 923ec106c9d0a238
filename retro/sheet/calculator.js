// Where the flipped clip goes: the arithmetic of `retro place`, exactly.
// Numbers that must not round are fractions of BigInts, {n, d} with d > 0.

const FRAME_RATES = {
  "23.976": { label: 24n, fps: { n: 24000n, d: 1001n }, drops: false },
  "24": { label: 24n, fps: { n: 24n, d: 1n }, drops: false },
  "25": { label: 25n, fps: { n: 25n, d: 1n }, drops: false },
  "29.97": { label: 30n, fps: { n: 30000n, d: 1001n }, drops: false },
  "29.97df": { label: 30n, fps: { n: 30000n, d: 1001n }, drops: true },
  "30": { label: 30n, fps: { n: 30n, d: 1n }, drops: false },
};

function floorDivide(a, b) {
  const quotient = a / b;
  return a % b !== 0n && (a < 0n) !== (b < 0n) ? quotient - 1n : quotient;
}

const multiply = (a, b) => ({ n: a.n * b.n, d: a.d * b.d });
const add = (a, b) => ({ n: a.n * b.d + b.n * a.d, d: a.d * b.d });
const divide = (a, b) => ({ n: a.n * b.d, d: a.d * b.n });
const whole = (value) => ({ n: BigInt(value), d: 1n });
const nearest = (a) => floorDivide(2n * a.n + a.d, 2n * a.d);
const modulo = (a, b) => {
  const times = floorDivide(a.n * b.d, a.d * b.n);
  return add(a, { n: -times * b.n, d: b.d });
};

// A double has a quotient of an integer and a power of two as its exact value.
function fromDouble(value) {
  let d = 1n;
  let scaled = value;
  while (!Number.isInteger(scaled)) {
    scaled *= 2;
    d *= 2n;
  }
  return { n: BigInt(scaled), d };
}

function fromText(text) {
  const [n, d] = text.split("/");
  return { n: BigInt(n), d: BigInt(d ?? "1") };
}

function toDouble(a) {
  const sign = a.n < 0n ? -1 : 1;
  const n = a.n < 0n ? -a.n : a.n;
  const integer = n / a.d;
  const rest = (n % a.d) * 1000000000000n / a.d;
  return sign * (Number(integer) + Number(rest) / 1e12);
}

function framesADay(rate) {
  const aMinute = 60n * rate.label - (rate.drops ? 2n : 0n);
  return 144n * (10n * aMinute + (rate.drops ? 2n : 0n));
}

function frameLabel(frame, rate) {
  const day = framesADay(rate);
  let number = ((frame % day) + day) % day;
  if (rate.drops) {
    const aMinute = 60n * rate.label - 2n;
    const inTen = 10n * aMinute + 2n;
    const rest = number % inTen;
    const minutes = rest > 2n ? (rest - 2n) / aMinute : 0n;
    number += 2n * (9n * (number / inTen) + minutes);
  }
  const two = (value) => value.toString().padStart(2, "0");
  const seconds = number / rate.label;
  const frames = two(number % rate.label);
  const clock = [seconds / 3600n, (seconds / 60n) % 60n, seconds % 60n].map(two).join(":");
  return `${clock}${rate.drops ? ";" : ":"}${frames}`;
}

// Frame number of a label, or null where the rate has no such label.
function parseLabel(text, rate) {
  const found = /^([0-9]{1,2}):([0-5]?[0-9]):([0-5]?[0-9])([:;])([0-9]{1,2})$/.exec(text.trim());
  if (!found) return null;
  const [hours, minutes, seconds] = [1, 2, 3].map((group) => BigInt(found[group]));
  const frames = BigInt(found[5]);
  if (hours > 23n || frames >= rate.label || (found[4] === ";" && !rate.drops)) return null;
  if (rate.drops && minutes % 10n !== 0n && seconds === 0n && frames < 2n) return null;
  const total = 60n * hours + minutes;
  const dropped = rate.drops ? 2n * (total - total / 10n) : 0n;
  return (60n * total + seconds) * rate.label + frames - dropped;
}

function atRate(name, clipStart, session) {
  const rate = FRAME_RATES[name];
  const label = rate.drops ? session.start : session.start.replace(";", ":");
  const first = parseLabel(label, rate);
  if (first === null) return { timecode: null, subframe_samples: null, time_reference_samples: null };
  const clipStart_s = { n: clipStart, d: BigInt(session.rate) };
  const frames = multiply(clipStart_s, rate.fps);
  const frame = floorDivide(frames.n, frames.d);
  const inside = add(frames, { n: -frame, d: 1n });
  const start_s = divide(whole(first), rate.fps);
  const midnight_s = add(start_s, clipStart_s);
  const day_s = divide(whole(framesADay(rate)), rate.fps);
  return {
    timecode: frameLabel(first + frame, rate),
    subframe_samples: toDouble(divide(multiply(inside, whole(session.rate)), rate.fps)),
    time_reference_samples:
      midnight_s.n < 0n
        ? null
        : Number(nearest(multiply(modulo(midnight_s, day_s), whole(session.rate)))),
  };
}

// Bar and beat of a time in the song; beyond its ends, bars of the end meters go on.
function songPlace(seconds, tempo, bars) {
  let at_s = 0;
  let at = tempo[0];
  for (const next of tempo.slice(1)) {
    const next_s = at_s + ((next.at_beats - at.at_beats) * at.us_per_quarter) / 1e6;
    if (next_s > seconds) break;
    [at, at_s] = [next, next_s];
  }
  const beats = at.at_beats + ((seconds - at_s) * 1e6) / at.us_per_quarter;
  const place = barAndBeat(beats, bars);
  // What the last decimal would round up to a bar's end is the next bar's first beat.
  const rounded = barAndBeat(beats + place.unit * HALF_A_DECIMAL, bars);
  return rounded.bar === place.bar ? place : { bar: rounded.bar, beat: 1 };
}

const HALF_A_DECIMAL = 0.5e-4;

function barAndBeat(beats, bars) {
  const index = Math.max(bars.findLastIndex((bar) => bar.start <= beats), 0);
  const { line, start, end, full, unit, number } = bars[index];
  const further = beats < start || beats >= end ? Math.floor((beats - line) / full) : 0;
  return { bar: number + further, beat: (beats - line - further * full) / unit + 1, unit };
}

// passage: exact seconds as "n/d" texts (start_s, length_s, roll_s, first_attack_s, audible_from_s),
// shift_ms (as written), spread_ms, measured_spread_ms, song_bars.
// session: {rate, start, frame_rate}; take: {phrase_start, take_end or null, late_ms or null}.
function placeClip(passage, session, take) {
  const rate = whole(session.rate);
  const samples = (seconds) => nearest(multiply(seconds, rate));
  const length = samples(fromText(passage.length_s));
  const phraseEnd = BigInt(take.phrase_start) + length;
  const tail =
    take.take_end === null ? samples(fromText(passage.roll_s)) : BigInt(take.take_end) - phraseEnd;
  if (tail < 0n) return { error: `the take ends ${-tail} frames before the phrase does` };
  if (parseLabel(session.start, FRAME_RATES[session.frame_rate]) === null) {
    return { error: `${session.start} is no timecode at ${session.frame_rate}` };
  }
  const lateness_s = take.late_ms === null ? null : take.late_ms / 1000;
  const shift_ms = passage.shift_ms + (lateness_s === null ? 0 : lateness_s * 1000);
  const shift = samples(fromDouble(shift_ms / 1000));
  const clipStart = samples(fromText(passage.start_s)) - tail + shift;
  const exportStart = BigInt(take.phrase_start) + samples(fromText(passage.first_attack_s));
  const timecodes = {};
  for (const name of Object.keys(FRAME_RATES)) timecodes[name] = atRate(name, clipStart, session);
  return {
    clip_start_samples: Number(clipStart),
    clip_start_ms: (Number(clipStart) / session.rate) * 1000,
    clip_start_s: Number(clipStart) / session.rate,
    swell_s: toDouble(
      add(add(fromText(passage.start_s), fromText(passage.audible_from_s)), { n: shift, d: rate.n }),
    ),
    phrase_start_samples: Number(take.phrase_start),
    shift_from: lateness_s === null ? "written" : "measured",
    spread_ms: lateness_s === null ? passage.spread_ms : passage.measured_spread_ms,
    tail_kept_samples: Number(tail),
    shift_samples: Number(shift),
    phrase_end_samples: Number(phraseEnd),
    export_start_samples: Number(exportStart),
    export_end_samples: Number(phraseEnd + tail),
    clip_length_samples: Number(phraseEnd + tail - exportStart),
    time_reference_samples: timecodes[session.frame_rate].time_reference_samples,
    timecodes,
  };
}

// Halves go upwards, as in the command; a quotient that ends in a half may lie a hair below it.
const hundredths = (value) => (Math.floor(value * 100 + 0.5 + 1e-7) / 100).toFixed(2);

// The rows of the placement table: what stands under value, unit, sub-frame and TimeReference.
function placementCells(at, session, tempo, bars, ownRate) {
  const orNone = (value) => String(value ?? "none");
  const place = (seconds) => {
    const { bar, beat } = songPlace(seconds, tempo, bars);
    return [`${bar < 0 ? "bar " : ""}${bar}/${beat.toFixed(4)}`];
  };
  const cells = {
    clip_start: [at.clip_start_samples, `samples at ${session.rate} Hz`],
    clip_start_ms: [(Number(nearest({ n: BigInt(at.clip_start_samples) * 1000000n, d: BigInt(session.rate) })) / 1000).toFixed(3)],
    clip_start_bar: place(at.clip_start_s),
    time_reference: [orNone(at.time_reference_samples)],
    swell: place(at.swell_s),
    phrase_start: [at.phrase_start_samples],
    phrase_end: [at.phrase_end_samples],
    export_start: [at.export_start_samples],
    export_end: [at.export_end_samples],
    tail: [at.tail_kept_samples],
    length: [at.clip_length_samples],
    shift: [at.shift_samples, `samples, as ${at.shift_from}`],
    spread: [at.spread_ms.toFixed(0)],
  };
  for (const [name, each] of Object.entries(at.timecodes)) {
    const unit = name === session.frame_rate ? ownRate : "";
    cells[`timecode ${name}`] = each.timecode
      ? [each.timecode, unit, hundredths(each.subframe_samples), orNone(each.time_reference_samples)]
      : ["none", `${session.start} is no label at this rate`, "", "none"];
  }
  return cells;
}
