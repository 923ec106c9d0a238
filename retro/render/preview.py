"""The preview: the target, what the microphones get, and what is heard after the flip.

Every note is one tone (`retro.render.tone`) with the envelope that the law of
`retro.model.sound` predicts. A room as convolved noise would make a tone's tail fluctuate by
several decibels, so that no prediction could be read from it. Here the diffuse part wanders in
phase alone: slowly, from a fixed seed, differently for every note, and the more the room has taken
over. The two channels of a tone differ by a constant phase, which makes it wide without changing
its envelope in the left, the right or their sum.

Conventions
-----------
Sound that leaves this module is (frames, 2), float32, on the grid of 24-bit samples, so that
writing it and turning it round commute to the bit.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from retro.model.instruments import Player, Sound
from retro.model.performance import Performance
from retro.model.phrase import BEND_CENTRE, Part, Phrase
from retro.model.sound import FloatArray, Room
from retro.model.time import TempoMap
from retro.render.curves import Curve, bend_curve, loudness_curves, semitones_per_bend
from retro.render.envelope import Decay, Envelopes, IntArray, struck, sustained
from retro.render.loudness import Loudness, measure
from retro.render.seating import seat
from retro.render.spectrum import Complex64, Single, hop_at
from retro.render.tone import (
    DARK,
    Bend,
    Colour,
    Timbre,
    Tone,
    brightness_at,
    sound_of,
    timbre_of,
)
from retro.render.wav import Sound32, to_grid
from retro.units import db_to_amplitude, pitch_to_hz, seconds_to_samples, velocity_to_db

DRY = Room(reverberation_s=1.0, direct_to_reverberant_db=200.0)
"""No room at all: how the target is heard."""

SHORT_RELEASE_S = 0.1
"""60 dB decay of the target's tones once they end."""

WANDER_RADIANS = 1.0
"""Depth of the diffuse part's wandering phase where the room has all the energy."""

WANDER_HZ = (0.4, 2.0)
"""Slowest and fastest of the wandering: within the width of a room's modes, about ``2.2 / T``."""

WANDER_NODES = 2**16
"""Length of the noise that all notes read, each from its own place: 175 s at 48 kHz."""

LEAST_SHARE = 1e-6
"""Share of the room's energy below which nothing wanders."""

STRETCH = 2048
"""Nodes that sound at once; bounds the memory of a long piece."""

BATCH_NODES = 2**15
"""Nodes whose amplitudes are computed at once."""

SPREAD_RADIANS = 0.5
"""Largest phase between a player's two channels, and between a player and the middle."""

LEAST_PRE_ROLL_S = 0.15
"""Pre-roll where no start needs more: the target's last tones end in it."""

MIXING_DB = -24.0
"""Full level of one tone while it is mixed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Preview:
    """The three sounds of an insert, on one rate.

    Parameters
    ----------
    rate
        Frames a second.
    target
        The target forwards and dry, aligned frame by frame with `flipped`; shape (frames, 2).
    played
        What the microphones get; its frame `pre_roll_samples` is the insert's bar 1 beat 1.
    pre_roll_samples
        Frames before the insert's bar 1 beat 1, for starts that lie before it.
    length_samples
        The window.
    tail_samples
        Frames after the insert's end, until the last tone is 60 dB down.
    gain, target_gain
        Amplitude that `played` and `target` got; stems take the first.
    loudness, target_loudness
        What was measured, after the gain.
    """

    rate: int
    target: Sound32 = field(repr=False)
    played: Sound32 = field(repr=False)
    pre_roll_samples: int
    length_samples: int
    tail_samples: int
    gain: float
    target_gain: float
    loudness: Loudness
    target_loudness: Loudness

    @property
    def flipped(self) -> Sound32:
        """What the listener hears: `played`, its frames in reverse; a view."""
        return self.played[::-1]

    @property
    def window_start_sample(self) -> int:
        """Frame at which the window starts in `flipped` and in `target`."""
        return self.tail_samples

    @property
    def window_end_sample(self) -> int:
        """Frame at which the window ends in `flipped` and in `target`."""
        return self.tail_samples + self.length_samples


@dataclass(frozen=True, slots=True, kw_only=True)
class Stem:
    """One part of the flipped sound; the stems add up to the whole within the grid."""

    part: int
    name: str
    flipped: Sound32 = field(repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Voice:
    """A part's player and curves, on the timeline of the sound that is made."""

    player: Player
    loudness: tuple[Curve, ...]
    bend: Curve | None
    highest_bend: float
    angle: float
    turn: float
    phase: float

    @classmethod
    def of(cls, player: Player, part: Part, tempo: TempoMap, chance: FloatArray) -> "_Voice":
        bends = part.bend.values if part.bend else (BEND_CENTRE,)
        turn, phase = SPREAD_RADIANS * (chance - 0.5) * (1.0, 2.0)
        return cls(
            player=player,
            loudness=loudness_curves(part, tempo),
            bend=bend_curve(part, tempo),
            highest_bend=max(bends) * semitones_per_bend(part),
            angle=0.25 * np.pi * (1.0 + seat(player)),
            turn=float(turn),
            phase=float(phase),
        )

    def timbre(self, pitch: int, rate: int) -> Timbre:
        """Give the timbre that has room at a pitch, bent as high as it gets."""
        highest_hz = pitch_to_hz(pitch + max(self.highest_bend, 0.0))
        return timbre_of(self.player, highest_hz, rate)

    def colour(self, timbre: Timbre) -> Colour:
        """Give the player's colour with a timbre."""
        return Colour.of(timbre, angle=self.angle, turn=self.turn, phase=self.phase)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Tones:
    """Notes of one kind as sound: arrays of shape (tones,), in the order in which they begin.

    Their curves hold from `hold_s` on, since a room follows no fader. A `wander` is where a note
    begins to read the wandering phase of the room.
    """

    voices: tuple[_Voice, ...]
    part: IntArray
    pitch: IntArray
    velocity: IntArray
    hold_s: FloatArray
    wander: IntArray
    room: Room
    envelopes: Envelopes


@dataclass(frozen=True, slots=True, kw_only=True)
class _Place:
    """Where the frames of a sound lie: time 0 is frame `before`."""

    rate: int
    before: int
    frames: int

    def time_s(self, nodes: IntArray) -> FloatArray:
        """Give the times of nodes."""
        return np.asarray((nodes * hop_at(self.rate) - self.before) / self.rate)

    def node_after(self, times_s: FloatArray) -> IntArray:
        """Give the first node that is not before each time."""
        frames = times_s * self.rate + self.before
        return np.asarray(np.ceil(frames / hop_at(self.rate)), dtype=np.int64)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Levelled:
    """A finished sound, (frames, 2), the gain it got and what was measured."""

    sound: Sound32
    gain: float
    loudness: Loudness


def render_preview(performance: Performance) -> Preview:
    """Render the target, the played and the flipped sound of a performance.

    Parameters
    ----------
    performance
        With one `PlayedNote` per target note; its settings give rate, room and seed.

    Returns
    -------
    Preview
        At about -23 LUFS with a true peak below -1 dBTP (EBU R 128).

    See Also
    --------
    render_stems : the flipped sound, part by part.
    """
    rate = performance.settings.rate
    tones = _played_tones(performance)
    length = seconds_to_samples(performance.target.length_s, rate)
    place = _place(tones, length, rate)
    mix = _mix(tones, place, performance.settings.seed)
    played = _levelled(mix, measure(_channels(mix)[:, ::-1], rate))
    tail = place.frames - place.before - length
    dry = _Place(rate=rate, before=tail, frames=place.frames)
    wanted = _mix(_target_tones(performance), dry, performance.settings.seed)
    target = _levelled(wanted, measure(_channels(wanted), rate))
    return Preview(
        rate=rate,
        target=target.sound,
        played=played.sound,
        pre_roll_samples=place.before,
        length_samples=length,
        tail_samples=tail,
        gain=played.gain,
        target_gain=target.gain,
        loudness=played.loudness,
        target_loudness=target.loudness,
    )


def render_stems(performance: Performance, preview: Preview) -> Iterator[Stem]:
    """Yield every part's share of the flipped sound, one at a time.

    Parameters
    ----------
    performance
        The one that `preview` was rendered from.
    preview
        Gives the frames and the gain.
    """
    place = _Place(
        rate=preview.rate, before=preview.pre_roll_samples, frames=preview.played.shape[0]
    )
    for index, player in enumerate(performance.players):
        own = _played_tones(performance, part=index)
        mix = _mix(own, place, performance.settings.seed)
        sound = to_grid(_channels(mix).T * np.float32(preview.gain))
        yield Stem(part=index, name=player.name, flipped=sound[::-1])


def _played_tones(performance: Performance, part: int | None = None) -> list[_Tones]:
    """Give the tones that the microphones get, on insert time; of one part, or of all."""
    notes = performance.notes
    return _tones(
        performance,
        performance.insert,
        spans_s=[(n.played_on_s, n.played_on_s + n.attack_s, n.played_off_s) for n in notes],
        decay_s=[n.decay_s for n in notes],
        damper_s=[_damper_s(performance.players[n.part]) for n in notes],
        room=performance.settings.room,
        part=part,
    )


def _target_tones(performance: Performance) -> list[_Tones]:
    """Give the target's tones, on window time: dry, ending soon after their span."""
    notes, players = performance.notes, performance.players
    return _tones(
        performance,
        performance.target,
        spans_s=[(n.target_on_s, n.target_on_s, n.target_off_s) for n in notes],
        decay_s=[n.decay_s if _is_struck(players[n.part]) else SHORT_RELEASE_S for n in notes],
        damper_s=[SHORT_RELEASE_S] * len(notes),
        room=DRY,
        part=None,
    )


def _tones(
    performance: Performance,
    phrase: Phrase,
    *,
    spans_s: Sequence[tuple[float, float, float]],
    decay_s: Sequence[float],
    damper_s: Sequence[float | None],
    room: Room,
    part: int | None,
) -> list[_Tones]:
    """Give the held and the struck notes, from each one's (start, speaking, stop)."""
    notes, players = performance.notes, performance.players
    chance = np.random.default_rng(performance.settings.seed)
    turns = chance.random((len(players), 2))
    wander = chance.integers(WANDER_NODES, size=len(notes))
    voices = tuple(
        _Voice.of(player, own, phrase.tempo, turn)
        for player, own, turn in zip(players, phrase.parts, turns, strict=True)
    )
    made = []
    for is_struck in (False, True):
        chosen = [
            i
            for i, note in enumerate(notes)
            if _is_struck(players[note.part]) is is_struck and part in (None, note.part)
        ]
        if not chosen:
            continue
        start_s, speaks_s, stop_s = np.array([spans_s[i] for i in chosen]).T
        decays_s = np.array([decay_s[i] for i in chosen])
        if is_struck:
            dampers_s = [damper_s[i] for i in chosen]
            damped_at_s = np.where(
                [damper is None for damper in dampers_s], np.inf, np.maximum(stop_s - speaks_s, 0.0)
            )
            decay = Decay(
                room=room,
                decay_s=decays_s,
                damped_at_s=damped_at_s,
                damper_s=np.array([damper or 1.0 for damper in dampers_s]),
            )
            envelopes = struck(start_s=start_s, speaks_s=speaks_s, decay=decay)
        else:
            envelopes = sustained(
                start_s=start_s,
                speaks_s=speaks_s,
                stop_s=stop_s,
                onset_db=performance.settings.onset_db,
                decay=Decay(room=room, decay_s=decays_s),
            )
        made.append(
            _Tones(
                voices=voices,
                part=np.array([notes[i].part for i in chosen]),
                pitch=np.array([notes[i].target.pitch for i in chosen]),
                velocity=np.array([notes[i].target.velocity for i in chosen]),
                hold_s=stop_s,
                wander=wander[chosen],
                room=room,
                envelopes=envelopes,
            )
        )
    return made


def _is_struck(player: Player) -> bool:
    return player.instrument.sound is Sound.STRUCK


def _damper_s(player: Player) -> float | None:
    return player.instrument.damper_s


def _place(tones: Sequence[_Tones], length: int, rate: int) -> _Place:
    """Give room for the earliest start and the last tone's fall."""
    begin_s = min((float(kind.envelopes.begin_s.min()) for kind in tones), default=0.0)
    end_s = max((float(kind.envelopes.end_s.max()) for kind in tones), default=0.0)
    before = seconds_to_samples(max(-begin_s, LEAST_PRE_ROLL_S), rate)
    tail = max(seconds_to_samples(end_s, rate) - length, 0)
    return _Place(rate=rate, before=before, frames=before + length + tail)


def _mix(tones: Sequence[_Tones], place: _Place, seed: int) -> Complex64:
    """Add up tones; shape (frames,), left + i right."""
    hop = hop_at(place.rate)
    noise = _wandering(seed, hop / place.rate)
    mix = np.zeros(place.frames, dtype=np.complex64)
    waiting = [_in_order(kind, place) for kind in tones]
    live: list[Tone] = []
    for first in range(0, -(-place.frames // hop), STRETCH):
        for kind, (order, begins) in zip(tones, waiting, strict=True):
            earlier, now = np.searchsorted(begins, (first if first else -np.inf, first + STRETCH))
            for some in _batches(order[earlier:now], kind, place):
                live += _at_nodes(kind, some, place, noise)
        live = [tone for tone in live if tone.end > first]
        if live:
            here = mix[first * hop : (first + STRETCH) * hop]
            here += sound_of(live, first, STRETCH + 1, place.rate)[: here.size]
    return mix


def _in_order(tones: _Tones, place: _Place) -> tuple[IntArray, IntArray]:
    """Give the order in which tones begin, and their first nodes in that order."""
    begins = place.node_after(tones.envelopes.begin_s)
    order = np.argsort(begins, kind="stable")
    return order, begins[order]


def _batches(some: IntArray, tones: _Tones, place: _Place) -> list[IntArray]:
    """Divide tones so that few nodes are computed at once."""
    length_s = (tones.envelopes.end_s - tones.envelopes.begin_s)[some]
    nodes = np.cumsum(length_s) * place.rate / hop_at(place.rate)
    return np.split(some, np.flatnonzero(np.diff(nodes // BATCH_NODES)) + 1) if some.size else []


def _at_nodes(tones: _Tones, some: IntArray, place: _Place, noise: Single) -> list[Tone]:
    """Compute some tones at their nodes, all at once."""
    envelopes = tones.envelopes
    begin = place.node_after(envelopes.begin_s)[some]
    counts = np.maximum(place.node_after(envelopes.end_s)[some] - begin, 1)
    ends = np.cumsum(counts)
    tone = np.repeat(some, counts)
    node = np.arange(ends[-1]) - np.repeat(ends - counts - begin, counts)
    t_s = place.time_s(node)
    energy = envelopes.energy_at(tone, t_s)
    shape = envelopes.shape(tone, t_s, energy)
    bright = brightness_at(shape)
    colours = _colours(tones, some, place.rate)
    upper_power = np.array([colour.upper_power for colour in colours], dtype=np.float32)
    amplitude = shape * np.repeat(_levels(tones.velocity[some]), counts)
    pieces = [slice(end - count, end) for end, count in zip(ends, counts, strict=True)]
    for i, piece in zip(some, pieces, strict=True):
        for curve in tones.voices[tones.part[i]].loudness:
            _follow(curve, amplitude[piece], t_s[piece], float(tones.hold_s[i]))
    dark = amplitude * np.sqrt(1.0 - bright * bright * np.repeat(upper_power, counts))
    bright *= amplitude
    turned = dark * _wander(tones, tone, node, energy, noise)
    return [
        _tone(
            pitch_to_hz(int(tones.pitch[i])),
            colour,
            int(first),
            turned[piece],
            bright[piece],
            bend=_bend_of(tones, int(i), t_s[piece]),
        )
        for i, colour, first, piece in zip(some, colours, begin, pieces, strict=True)
    ]


def _tone(
    hz: float, colour: Colour, first: int, dark: Complex64, bright: Single, *, bend: Bend | None
) -> Tone:
    lit = np.flatnonzero(bright) if colour.timbre.count > 1 else np.zeros(0, dtype=np.int64)
    start, stop = (int(lit[0]), int(lit[-1]) + 1) if lit.size else (0, 0)
    return Tone(
        hz=hz,
        colour=colour,
        first=first,
        dark=dark,
        bright_first=first + start,
        bright=bright[start:stop],
        bend=bend,
    )


def _colours(tones: _Tones, some: IntArray, rate: int) -> list[Colour]:
    """Give the colours of some tones; those of one player and timbre are one."""
    known: dict[tuple[int, Timbre], Colour] = {}
    colours = []
    for part, pitch in zip(tones.part[some].tolist(), tones.pitch[some].tolist(), strict=True):
        voice = tones.voices[part]
        timbre = voice.timbre(pitch, rate)
        if (part, timbre) not in known:
            known[part, timbre] = voice.colour(timbre)
        colours.append(known[part, timbre])
    return colours


def _levels(velocities: IntArray) -> Single:
    return np.array(
        [db_to_amplitude(MIXING_DB + velocity_to_db(int(velocity))) for velocity in velocities],
        dtype=np.float32,
    )


def _follow(curve: Curve, amplitude: Single, t_s: FloatArray, hold_s: float) -> None:
    """Multiply a tone's amplitudes by a curve, which holds from `hold_s` on."""
    held = int(np.searchsorted(t_s, hold_s))
    at_s = np.append(t_s[:held], hold_s)
    if curve.is_steady(float(at_s[0]), hold_s):
        amplitude *= np.float32(curve.at(at_s[-1:])[0])
        return
    values = curve.at(at_s)
    amplitude[:held] *= values[:-1]
    amplitude[held:] *= np.float32(values[-1])


def _bend_of(tones: _Tones, index: int, t_s: FloatArray) -> Bend | None:
    """Give the frequency and the phase at a tone's nodes, where its pitch moves."""
    curve = tones.voices[tones.part[index]].bend
    if curve is None:
        return None
    semitones = curve.at(np.minimum(t_s, tones.hold_s[index]))
    bent_hz = pitch_to_hz(int(tones.pitch[index])) * 2.0 ** (semitones / 12.0)
    cycles = np.cumsum(0.5 * (bent_hz[1:] + bent_hz[:-1]) * np.diff(t_s))
    phase = 2.0 * np.pi * np.mod(np.concatenate(([0.0], cycles)), 1.0)
    return Bend(hz=bent_hz, turn=np.exp(1j * phase).astype(np.complex64))


def _wandering(seed: int, period_s: float) -> Single:
    """Give smooth noise of power 1 between `WANDER_HZ`, one value a node; it repeats at its end."""
    hz = np.fft.rfftfreq(WANDER_NODES, period_s)
    inside = np.flatnonzero((hz > WANDER_HZ[0]) & (hz < WANDER_HZ[1]))
    spectrum = np.zeros(hz.size, dtype=np.complex128)
    phases = np.random.default_rng(seed).random(inside.size)
    spectrum[inside] = np.exp(2j * np.pi * phases) / np.sqrt(2.0 * inside.size)
    return np.asarray(np.fft.irfft(spectrum, WANDER_NODES) * WANDER_NODES, dtype=np.float32)


def _wander(
    tones: _Tones, tone: IntArray, node: IntArray, energy: Single, noise: Single
) -> Complex64:
    """Give the turning of the room: it grows as a dark tone falls into its room."""
    room = tones.room.share / (1.0 + tones.room.share)
    if room < LEAST_SHARE:
        return np.ones(1, dtype=np.complex64)
    own = noise[(node + tones.wander[tone]) % WANDER_NODES]
    depth = np.float32(WANDER_RADIANS * room) * np.maximum(1.0 - energy / DARK**2, 0.0)
    phase = own * depth
    turning = np.empty(phase.size, dtype=np.complex64)
    np.cos(phase, out=turning.real)
    np.sin(phase, out=turning.imag)
    return turning


def _channels(sound: Complex64) -> Single:
    """Give left and right as a view, shape (2, frames)."""
    return sound.view(np.float32).reshape(-1, 2).T


def _levelled(mix: Complex64, measured: Loudness) -> _Levelled:
    """Bring a mix to its loudness and onto the grid of 24 bits."""
    gain_db = measured.gain_db()
    gain = db_to_amplitude(gain_db)
    return _Levelled(
        sound=to_grid(_channels(mix).T * np.float32(gain)),
        gain=gain,
        loudness=measured.raised(gain_db),
    )
