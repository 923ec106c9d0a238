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
from functools import partial

import numpy as np

from retro.model.instruments import Player, Sound
from retro.model.performance import Performance
from retro.model.phrase import BEND_CENTRE, Part, Phrase
from retro.model.sound import (
    FloatArray,
    Room,
    energy_after_release,
    energy_after_stroke,
    fall_s,
    stroke_fall_s,
)
from retro.model.time import TempoMap
from retro.render.curves import Curve, bend_curve, loudness_curves, semitones_per_bend
from retro.render.envelope import END_DB, Envelope, struck, sustained
from retro.render.loudness import Loudness, measure
from retro.render.seating import seat
from retro.render.tone import (
    BEND_BLOCK,
    BLOCK,
    ComplexArray,
    IntArray,
    Nodes,
    Sound32,
    brightness_at,
    sound_of,
    timbre_of,
)
from retro.render.wav import to_grid
from retro.units import db_to_amplitude, pitch_to_hz, seconds_to_samples, velocity_to_db

DRY = Room(reverberation_s=1.0, direct_to_reverberant_db=200.0)
"""No room at all: how the target is heard."""

SHORT_RELEASE_S = 0.1
"""60 dB decay of the target's tones once they end."""

WANDER_RADIANS = 1.0
"""Depth of the diffuse part's wandering phase where the room has all the energy."""

WANDER_HZ = (0.4, 2.0)
"""Slowest and fastest of the wandering: within the width of a room's modes, about ``2.2 / T``."""

WANDERS = 4
"""Sines that make up a wandering."""

SPREAD_RADIANS = 0.5
"""Largest phase between a tone's two channels, and between tones of one pitch."""

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

    @classmethod
    def of(cls, player: Player, part: Part, tempo: TempoMap) -> "_Voice":
        bends = part.bend.values if part.bend else (BEND_CENTRE,)
        return cls(
            player=player,
            loudness=loudness_curves(part, tempo),
            bend=bend_curve(part, tempo),
            highest_bend=max(bends) * semitones_per_bend(part),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Tone:
    """One note as sound: its curves hold from `hold_s` on, since a room follows no fader."""

    voice: _Voice
    envelope: Envelope
    pitch: int
    velocity: int
    hold_s: float
    wander_radians: float
    chance: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class _Place:
    """Where the frames of a sound lie: time 0 is frame `before`."""

    rate: int
    before: int
    frames: int


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
    mix = _mix(tones, place)
    played = _levelled(mix, measure(mix[:, ::-1], rate))
    tail = place.frames - place.before - length
    dry = _Place(rate=rate, before=tail, frames=place.frames)
    wanted = _mix(_target_tones(performance), dry)
    target = _levelled(wanted, measure(wanted, rate))
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
    tones = _played_tones(performance)
    for index, player in enumerate(performance.players):
        own = [
            tone for tone, note in zip(tones, performance.notes, strict=True) if note.part == index
        ]
        sound = to_grid(_mix(own, place).T * np.float32(preview.gain))
        yield Stem(part=index, name=player.name, flipped=sound[::-1])


def _played_tones(performance: Performance) -> list[_Tone]:
    """Give the tones that the microphones get, on insert time."""
    settings = performance.settings
    room_share = settings.room.share / (1.0 + settings.room.share)
    voices = _voices(performance.players, performance.insert)
    envelopes = _envelopes(
        performance,
        [(n.played_on_s, n.played_on_s + n.attack_s, n.played_off_s) for n in performance.notes],
        settings.room,
        [_damper_s(performance.players[n.part]) for n in performance.notes],
        [n.decay_s for n in performance.notes],
    )
    return [
        _Tone(
            voice=voices[note.part],
            envelope=envelope,
            pitch=note.target.pitch,
            velocity=note.target.velocity,
            hold_s=note.played_off_s,
            wander_radians=WANDER_RADIANS * room_share,
            chance=chance,
        )
        for note, envelope, chance in zip(
            performance.notes, envelopes, _chances(performance), strict=True
        )
    ]


def _target_tones(performance: Performance) -> list[_Tone]:
    """Give the target's tones, on window time: dry, ending soon after their span."""
    voices = _voices(performance.players, performance.target)
    envelopes = _envelopes(
        performance,
        [(n.target_on_s, n.target_on_s, n.target_off_s) for n in performance.notes],
        DRY,
        [SHORT_RELEASE_S] * len(performance.notes),
        [
            n.decay_s if _is_struck(performance.players[n.part]) else SHORT_RELEASE_S
            for n in performance.notes
        ],
    )
    return [
        _Tone(
            voice=voices[note.part],
            envelope=envelope,
            pitch=note.target.pitch,
            velocity=note.target.velocity,
            hold_s=note.target_off_s,
            wander_radians=0.0,
            chance=chance,
        )
        for note, envelope, chance in zip(
            performance.notes, envelopes, _chances(performance), strict=True
        )
    ]


def _voices(players: tuple[Player, ...], phrase: Phrase) -> list[_Voice]:
    return [
        _Voice.of(player, part, phrase.tempo)
        for player, part in zip(players, phrase.parts, strict=True)
    ]


def _is_struck(player: Player) -> bool:
    return player.instrument.sound is Sound.STRUCK


def _damper_s(player: Player) -> float | None:
    return player.instrument.damper_s


def _chances(performance: Performance) -> FloatArray:
    """Give every note its own numbers in [0, 1), from the seed alone."""
    shape = (len(performance.notes), 2 + 2 * WANDERS)
    return np.random.default_rng(performance.settings.seed).random(shape)


def _envelopes(
    performance: Performance,
    spans_s: Sequence[tuple[float, float, float]],
    room: Room,
    dampers_s: Sequence[float | None],
    decays_s: Sequence[float],
) -> list[Envelope]:
    """Give every note's envelope from its (start, speaking, stop)."""
    if not spans_s:
        return []
    _, speaks_s, stop_s = np.array(spans_s).T
    decay_s = np.array(decays_s)
    is_damped = np.array([damper_s is not None for damper_s in dampers_s])
    damper_s = np.array([damper_s or 1.0 for damper_s in dampers_s])
    damped_at_s = np.where(is_damped, np.maximum(stop_s - speaks_s, 0.0), np.inf)
    held_fall_s = fall_s(END_DB, decay_s, room)
    struck_fall_s = stroke_fall_s(END_DB, decay_s, damped_at_s, damper_s, room)
    envelopes = []
    for i, (note, span) in enumerate(zip(performance.notes, spans_s, strict=True)):
        if _is_struck(performance.players[note.part]):
            envelopes.append(
                struck(
                    start_s=span[0],
                    speaks_s=span[1],
                    energy=partial(
                        energy_after_stroke,
                        decay_s=decay_s[i],
                        damped_at_s=damped_at_s[i],
                        damper_s=damper_s[i],
                        room=room,
                    ),
                    fall_s=float(struck_fall_s[i]),
                )
            )
        else:
            envelopes.append(
                sustained(
                    start_s=span[0],
                    speaks_s=span[1],
                    stop_s=span[2],
                    onset_db=performance.settings.onset_db,
                    energy=partial(energy_after_release, decay_s=decay_s[i], room=room),
                    fall_s=float(held_fall_s[i]),
                )
            )
    return envelopes


def _place(tones: Sequence[_Tone], length: int, rate: int) -> _Place:
    """Give room for the earliest start and the last tone's fall."""
    begin_s = min((tone.envelope.begin_s for tone in tones), default=0.0)
    end_s = max((tone.envelope.end_s for tone in tones), default=0.0)
    before = seconds_to_samples(max(-begin_s, LEAST_PRE_ROLL_S), rate)
    tail = max(seconds_to_samples(end_s, rate) - length, 0)
    return _Place(rate=rate, before=before, frames=before + length + tail)


def _mix(tones: Sequence[_Tone], place: _Place) -> Sound32:
    """Add up tones; shape (2, frames)."""
    mix = np.zeros((2, place.frames), dtype=np.float32)
    for tone in tones:
        first, sound = _sounding(tone, place.rate)
        start = first + place.before
        skipped = max(-start, 0)
        kept = sound[:, skipped : max(place.frames - start, 0)]
        mix[:, start + skipped : start + skipped + kept.shape[1]] += kept
    return mix


def _sounding(tone: _Tone, rate: int) -> tuple[int, Sound32]:
    """Give a tone's first frame on its own timeline, and its sound."""
    envelope, voice = tone.envelope, tone.voice
    block = BLOCK if voice.bend is None else BEND_BLOCK
    first = seconds_to_samples(envelope.begin_s, rate)
    blocks = -(-(seconds_to_samples(envelope.end_s, rate) - first) // block)
    frames = first + block * np.arange(blocks + 1)
    t_s = frames / rate
    held_s = np.minimum(t_s, tone.hold_s)
    shape = envelope.at(t_s)
    level = db_to_amplitude(MIXING_DB + velocity_to_db(tone.velocity))
    amplitude = shape * level
    for curve in voice.loudness:
        amplitude = amplitude * curve.at(held_s)
    hz = pitch_to_hz(tone.pitch)
    phase, usual_hz = _pitched(hz, frames, rate, voice.bend, held_s)
    nodes = Nodes(
        block=block,
        amplitude=amplitude,
        brightness=brightness_at(shape),
        phase=phase + _wander(tone, t_s),
        radians_per_frame=2.0 * np.pi * usual_hz / rate,
    )
    highest_hz = hz * 2.0 ** (voice.highest_bend / 12.0)
    timbre = timbre_of(voice.player, highest_hz, rate)
    return first, sound_of(nodes, timbre, _channels(seat(voice.player), tone.chance[0]))


def _pitched(
    hz: float, frames: IntArray, rate: int, bend: Curve | None, held_s: FloatArray
) -> tuple[FloatArray, float]:
    """Give the phase at the nodes, and the frequency that it keeps near to.

    Without bend the phase is that of the timeline, so that players in unison add up.
    """
    if bend is None:
        return 2.0 * np.pi * np.mod(hz / rate * frames, 1.0), hz
    bent_hz = hz * 2.0 ** (bend.at(held_s) / 12.0)
    cycles = np.cumsum(0.5 * (bent_hz[1:] + bent_hz[:-1]) * np.diff(frames) / rate)
    start = hz / rate * frames[0]
    phase = 2.0 * np.pi * np.mod(np.concatenate(([start], start + cycles)), 1.0)
    return phase, 0.5 * float(np.min(bent_hz) + np.max(bent_hz))


def _wander(tone: _Tone, t_s: FloatArray) -> FloatArray:
    """Give the phase of the room: smooth noise, growing as the tone falls into its room."""
    speeds, phases = tone.chance[2 : 2 + WANDERS], tone.chance[2 + WANDERS :]
    hz = WANDER_HZ[0] + (WANDER_HZ[1] - WANDER_HZ[0]) * speeds
    noise = np.zeros_like(t_s)
    for speed_hz, phase in zip(hz, phases, strict=True):
        noise += np.sin(2.0 * np.pi * (speed_hz * t_s + phase))
    depth = tone.wander_radians * (1.0 - tone.envelope.energy_at(t_s))
    own = SPREAD_RADIANS * (2.0 * tone.chance[1] - 1.0)
    return np.asarray(own + depth * noise * np.sqrt(2.0 / WANDERS))


def _channels(place: float, chance: float) -> ComplexArray:
    """Give left and right at constant power, a constant phase apart."""
    angle = 0.25 * np.pi * (1.0 + place)
    turn = 0.5j * SPREAD_RADIANS * (2.0 * chance - 1.0)
    return np.array([np.cos(angle) * np.exp(turn), np.sin(angle) * np.exp(-turn)])


def _levelled(mix: Sound32, measured: Loudness) -> _Levelled:
    """Bring a mix, (2, frames), to its loudness and onto the grid of 24 bits."""
    gain_db = measured.gain_db()
    gain = db_to_amplitude(gain_db)
    return _Levelled(
        sound=to_grid(mix.T * np.float32(gain)), gain=gain, loudness=measured.raised(gain_db)
    )
