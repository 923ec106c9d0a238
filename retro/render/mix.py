"""Many tones added up, stretch by stretch.

Whatever lasts as long as the sound is one value a tone or a row of a table a part; what a tone is
at its nodes exists for one short stretch alone, of all tones that sound there at once. So the work
follows what sounds, in few large steps, and a long piece needs no more memory than its sound.

Conventions
-----------
Sound is (frames,), complex64, left + i right. What notes have is of shape (tones,); some of them
at the nodes of a stretch have shape (some, nodes).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from retro.model.instruments import Player
from retro.model.levels import Clock, Curve, loudness_curves
from retro.model.phrase import BEND_CENTRE, Part
from retro.model.sound import FloatArray
from retro.model.tones import IntArray
from retro.render.curves import bend_curve, semitones_per_bend
from retro.render.envelope import Envelopes
from retro.render.seating import seat
from retro.render.spectrum import Complex64, Single, Spectrum, hop_at
from retro.render.tone import (
    FUNDAMENTAL_ALONE,
    Bend,
    Colour,
    Partials,
    Steady,
    add_bent,
    add_steady,
    brightness_at,
    timbre_of,
)
from retro.units import db_to_amplitude, pitch_to_hz, velocity_to_db

WANDER_RADIANS = 1.0
"""Depth of the diffuse part's wandering phase where the room has all the energy."""

WANDER_HZ = (0.4, 2.0)
"""Slowest and fastest of the wandering: within the width of a room's modes, about ``2.2 / T``."""

WANDER_NODES = 2**16
"""Length of the noise that all notes read, each from its own place: 175 s at 48 kHz."""

MIN_SHARE = 1e-6
"""Share of the room's energy below which nothing wanders."""

STRETCH = 384
"""Nodes of a stretch: few enough for a processor's cache, many for the steps of one stretch."""

SPREAD_RADIANS = 0.5
"""Largest phase between a player's two channels, and between a player and the middle."""

MIXING_DB = -24.0
"""Full level of one tone while it is mixed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PartSound:
    """A part's player and curves, on the timeline of the sound that is made."""

    player: Player
    loudness: tuple[Curve, ...]
    bend: Curve | None
    highest_bend: float
    angle: float
    turn: float
    phase: float

    @classmethod
    def of(cls, player: Player, part: Part, clock: Clock, chance: FloatArray) -> "PartSound":
        """Return the voice of a part; its phases come from two numbers from 0 to 1."""
        bends = part.bend.values if part.bend else (BEND_CENTRE,)
        turn, phase = SPREAD_RADIANS * (chance - 0.5) * (1.0, 2.0)
        return cls(
            player=player,
            loudness=loudness_curves(part, clock),
            bend=bend_curve(part, clock),
            highest_bend=max(bends) * semitones_per_bend(part),
            angle=0.25 * np.pi * (1.0 + seat(player)),
            turn=float(turn),
            phase=float(phase),
        )

    def colour(self, pitch: int, rate: int) -> Colour:
        """Return the colour of a pitch: the timbre that has room there, bent as high as it gets."""
        highest_hz = pitch_to_hz(pitch + max(self.highest_bend, 0.0))
        return Colour.of(
            pitch_to_hz(pitch),
            timbre_of(self.player, highest_hz, rate),
            angle=self.angle,
            turn=self.turn,
            phase=self.phase,
        )

    def amplitude_at(self, t_s: FloatArray) -> Single:
        """Return the product of the loudness curves at some instants."""
        amplitude = np.ones(t_s.shape, dtype=np.float32)
        for curve in self.loudness:
            amplitude *= curve.at(t_s).astype(np.float32)
        return amplitude


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundingNotes:
    """Notes of one kind as sound.

    Their curves hold from their stop on, since a room follows no fader. A `wander` is where a note
    begins to read the wandering phase of the room.
    """

    voices: tuple[PartSound, ...]
    pitch: IntArray
    velocity: IntArray
    wander: IntArray
    envelopes: Envelopes

    @property
    def part(self) -> IntArray:
        """Index of every note's part."""
        return self.envelopes.tones.part

    @property
    def hold_s(self) -> FloatArray:
        """From where on every note keeps its level."""
        tones = self.envelopes.tones
        return np.maximum(tones.stop_s, tones.start_s)

    @property
    def wander_radians(self) -> float:
        """Depth of the wandering once a tone has fallen into its room; 0 where nothing wanders."""
        room = self.envelopes.tones.room
        share = room.share / (1.0 + room.share)
        return WANDER_RADIANS * share if share >= MIN_SHARE else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Timeline:
    """Where the frames of a sound lie: time 0 is frame `before`."""

    rate: int
    before: int
    frames: int

    @property
    def stretches(self) -> int:
        """Stretches that hold the sound."""
        return -(-self.frames // (hop_at(self.rate) * STRETCH))

    def time_s(self, nodes: IntArray) -> FloatArray:
        """Return the times of nodes."""
        return np.asarray((nodes * hop_at(self.rate) - self.before) / self.rate)

    def node_after(self, times_s: FloatArray) -> IntArray:
        """Return the first node that is not before each time."""
        frames = times_s * self.rate + self.before
        return np.asarray(np.ceil(frames / hop_at(self.rate)), dtype=np.int64)


def mix(kinds: Sequence[SoundingNotes], place: Timeline, seed: int) -> Complex64:
    """Add up tones of some kinds; the seed gives their room.

    Returns
    -------
    numpy.ndarray
        complex64, left + i right, shape (frames,).
    """
    hop = hop_at(place.rate)
    sound = np.zeros(place.frames, dtype=np.complex64)
    if not kinds:
        return sound
    noise = _wandering(seed, place.rate) if any(tones.wander_radians for tones in kinds) else None
    renderers = [_BlockRenderer(tones, place, noise) for tones in kinds]
    partials = Partials.of([renderer.colours for renderer in renderers], place.rate, STRETCH + 1)
    for first in range(0, place.stretches * STRETCH, STRETCH):
        spectrum = Spectrum(place.rate, STRETCH + 1)
        steady = [renderer.render_block(spectrum, first) for renderer in renderers]
        add_steady(spectrum, partials, first, steady)
        if not spectrum.is_silent:
            here = sound[first * hop : (first + STRETCH) * hop]
            here[:] = spectrum.sound()[: here.size]
    return sound


class _BlockRenderer:
    """Renders tones of one kind, one stretch after the other; `noise` is what wanders."""

    def __init__(self, tones: SoundingNotes, place: Timeline, noise: Single | None) -> None:
        envelopes = tones.envelopes
        self._tones, self._place = tones, place
        self._hold_s = tones.hold_s
        self._peak = envelopes.peak
        self._begin = place.node_after(envelopes.begin_s)
        self._end = np.maximum(place.node_after(envelopes.end_s), self._begin + 1)
        self._order = np.argsort(self._begin, kind="stable")
        self._begins = self._begin[self._order]
        self._live = np.zeros(0, dtype=np.int64)
        self.colours, self._colour = _colours(tones, place.rate)
        self._partials = np.array([colour.timbre.count for colour in self.colours])[self._colour]
        self._upper_power = _upper_power(self.colours)[self._colour]
        self._level = _levels(tones.velocity)
        nodes_s = place.time_s(np.arange(place.stretches * STRETCH + 1))
        self._followed = _followed(tones, nodes_s)
        self._held = _held(tones)
        self._bends = [
            _Bending(voice.bend, nodes_s) if voice.bend else None for voice in tones.voices
        ]
        self._is_bent = np.array([bending is not None for bending in self._bends])[tones.part]
        self._noise = noise

    def render_block(self, spectrum: Spectrum, first: int) -> Steady:
        """Add what bends in the stretch from a node on, and give what is steady there."""
        until = np.searchsorted(self._begins, (first, first + STRETCH), side="right")
        fresh = self._order[slice(until[0] if first else 0, until[1])]
        self._live = np.concatenate((self._live[self._end[self._live] > first], fresh))
        if not self._live.size:
            return Steady.none(STRETCH + 1)
        t_s = self._place.time_s(first + np.arange(STRETCH + 1))
        tones = self._at_nodes(self._live, first, t_s)
        is_bent = self._is_bent[self._live]
        if not np.any(is_bent):
            return tones
        self._add_bent(spectrum, first, t_s, tones)
        return tones.only(~is_bent)

    def _at_nodes(self, some: IntArray, first: int, t_s: FloatArray) -> Steady:
        """Return some tones at the nodes of a stretch, as if all were steady."""
        envelopes = self._tones.envelopes
        fallen = envelopes.fallen(some, t_s)
        shape = envelopes.shape(some, t_s, fallen)
        height = shape / self._peak[some, np.newaxis]
        with_upper = np.flatnonzero(
            (self._partials[some] > 1) & (height.max(axis=1) > FUNDAMENTAL_ALONE)
        )
        upper = brightness_at(height[with_upper])
        amplitude = shape * self._levels_at(some, first, t_s)
        upper_power = self._upper_power[some[with_upper], np.newaxis]
        share = np.sqrt(1.0 - upper * upper * upper_power)
        upper *= amplitude[with_upper]
        amplitude[with_upper] *= share
        fundamental = self._wandered(amplitude, some, first, fallen)
        return Steady(
            colour=self._colour[some], fundamental=fundamental, with_upper=with_upper, upper=upper
        )

    def _add_bent(self, spectrum: Spectrum, first: int, t_s: FloatArray, tones: Steady) -> None:
        """Add those tones whose pitch moves, one by one."""
        upper = dict(zip(tones.with_upper.tolist(), tones.upper, strict=True))
        none = np.zeros(t_s.size, dtype=np.float32)
        for row, tone in enumerate(self._live):
            bending = self._bends[self._tones.part[tone]]
            if bending is None:
                continue
            colour = self.colours[self._colour[tone]]
            bend = bending.of(
                colour.hz, float(self._hold_s[tone]), int(self._begin[tone]), first, t_s
            )
            add_bent(
                spectrum,
                colour,
                bend,
                fundamental=tones.fundamental[row],
                upper=upper.get(row, none),
            )

    def _levels_at(self, some: IntArray, first: int, t_s: FloatArray) -> Single:
        """Return the amplitudes of full level, which follow the curves until they hold."""
        level = self._level[some, np.newaxis]
        if self._followed is None:
            return level
        hold_s = self._hold_s[some, np.newaxis]
        now = self._followed[self._tones.part[some], first : first + t_s.size]
        return level * np.where(t_s < hold_s, now, self._held[some, np.newaxis])

    def _wandered(self, amplitude: Single, some: IntArray, first: int, fallen: Single) -> Complex64:
        """Turn amplitudes as the room does: the more, the further a tone falls into it."""
        wandered = amplitude.astype(np.complex64)
        if self._noise is None:
            return wandered
        falling = np.flatnonzero(fallen[:, -1] < FUNDAMENTAL_ALONE**2)
        places = (first + self._tones.wander[some[falling]]) % WANDER_NODES
        depth = np.maximum(1.0 - fallen[falling] / FUNDAMENTAL_ALONE**2, 0.0)
        phase = self._noise[places] * (np.float32(self._tones.wander_radians) * depth)
        wandered.real[falling] = amplitude[falling] * np.cos(phase)
        wandered.imag[falling] = amplitude[falling] * np.sin(phase)
        return wandered


class _Bending:
    """A part's bend over all nodes of a sound, as the ratio of frequencies and its integral."""

    def __init__(self, curve: Curve, nodes_s: FloatArray) -> None:
        self._curve, self._nodes_s = curve, nodes_s
        self._ratio = self._ratio_at(nodes_s)
        steps = 0.5 * (self._ratio[1:] + self._ratio[:-1]) * np.diff(nodes_s)
        self._integral_s = np.concatenate(([0.0], np.cumsum(steps)))

    def of(self, hz: float, hold_s: float, begin: int, first: int, t_s: FloatArray) -> Bend:
        """Return the bend of a tone that begins at a node and follows until `hold_s`."""
        here = slice(first, first + t_s.size)
        held = float(self._ratio_at(np.array([hold_s]))[0])
        held_s = np.interp(hold_s, self._nodes_s, self._integral_s) + held * (t_s - hold_s)
        follows = t_s < hold_s
        passed_s = np.where(follows, self._integral_s[here], held_s) - self._integral_s[begin]
        turn = np.exp(2j * np.pi * np.mod(hz * passed_s, 1.0))
        return Bend(
            hz=hz * np.where(follows, self._ratio[here], held), turn=turn.astype(np.complex64)
        )

    def _ratio_at(self, t_s: FloatArray) -> FloatArray:
        return np.asarray(2.0 ** (self._curve.at(t_s) / 12.0))


def _colours(tones: SoundingNotes, rate: int) -> tuple[list[Colour], IntArray]:
    """Return the distinct colours, and which of them each tone has."""
    pairs = np.stack((tones.part, tones.pitch), axis=1)
    distinct, colour = np.unique(pairs, axis=0, return_inverse=True)
    colours = [tones.voices[part].colour(pitch, rate) for part, pitch in distinct.tolist()]
    return colours, colour.reshape(-1)


def _upper_power(colours: Sequence[Colour]) -> Single:
    """Return the share of the power that the upper partials of some colours have."""
    upper = [colour.timbre.amplitudes()[1:] for colour in colours]
    return np.array([np.sum(own * own) for own in upper], dtype=np.float32)


def _levels(velocities: IntArray) -> Single:
    """Return the amplitudes of velocities."""
    distinct, which = np.unique(velocities, return_inverse=True)
    levels = [
        db_to_amplitude(MIXING_DB + velocity_to_db(velocity)) for velocity in distinct.tolist()
    ]
    return np.array(levels, dtype=np.float32)[which]


def _followed(tones: SoundingNotes, nodes_s: FloatArray) -> Single | None:
    """Return every part's curves at all nodes, shape (parts, nodes); None where no part has any."""
    if not any(voice.loudness for voice in tones.voices):
        return None
    return np.stack([voice.amplitude_at(nodes_s) for voice in tones.voices])


def _held(tones: SoundingNotes) -> Single:
    """Return every tone's curves where they hold."""
    held, hold_s = np.ones(tones.part.size, dtype=np.float32), tones.hold_s
    for part, voice in enumerate(tones.voices):
        own = np.flatnonzero(tones.part == part)
        held[own] = voice.amplitude_at(hold_s[own])
    return held


def _wandering(seed: int, rate: int) -> Single:
    """Return smooth noise of power 1 between `WANDER_HZ`, which repeats after `WANDER_NODES`.

    It is a view, shape (places, nodes): the nodes of a stretch from every place on.
    """
    hz = np.fft.rfftfreq(WANDER_NODES, hop_at(rate) / rate)
    inside = np.flatnonzero((hz > WANDER_HZ[0]) & (hz < WANDER_HZ[1]))
    spectrum = np.zeros(hz.size, dtype=np.complex128)
    phases = np.random.default_rng(seed).random(inside.size)
    spectrum[inside] = np.exp(2j * np.pi * phases) / np.sqrt(2.0 * inside.size)
    noise = (np.fft.irfft(spectrum, WANDER_NODES) * WANDER_NODES).astype(np.float32)
    return sliding_window_view(np.concatenate((noise, noise[:STRETCH])), STRETCH + 1)
