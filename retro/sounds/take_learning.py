"""Attack and decay of people out of a recorded take of a passage whose plan is known.

A player is heard in the microphone of the own section, else in those that hear all: the most of
what an attack is off by is the room's answer, and each of them hears another. Whether the
passage lies there, and how late it is, comes first (`retro.sounds.take_microphones`). Each rise
and fall that stands free (`retro.sounds.free_notes`) is compared with those of the sound law in
the room (`retro.sounds.edge_fit`); how much of the room a microphone hears is told, or is what the
falls fit best. What is known well enough is stated (`retro.sounds.take_figures`); of all else is
said why it is not.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from retro.measuring.microphones import Microphone
from retro.model.learned import LearnedTone
from retro.model.orchestra import by_id
from retro.model.sound import FloatArray, Room
from retro.read.plan_file import PlanFile
from retro.sounds.edge_course import Quiet, course_of
from retro.sounds.edge_fit import Course, by_pitch, misfits
from retro.sounds.free_notes import Edge, Found, FreeEdge, TakeNote, free_edges, take_notes
from retro.sounds.take_figures import Misfit, Stated, stated, together, tones, why_not
from retro.sounds.take_microphones import TakeMicrophone, listened, readers

MAX_EDGES = 24
"""Edges of one player that are listened to, spread over the phrase."""

AGAIN = 1.25
"""A figure that is off by this factor from the one it was worked out by is worked out again."""

RATIOS_DB = (-6.0, -4.5, -3.0, -1.5, 0.0, 1.5, 3.0, 4.5, 6.0)
NEAR_RATIOS_DB = (-3.0, 0.0, 3.0, 6.0, 9.0, 12.0, 15.0, 18.0)
"""Direct-to-reverberant ratios that are tried, from the room's; for a section's own microphone."""

RATIO_DOUBT_DB, NEAR_RATIO_DOUBT_DB = 4.0, 10.0
MAX_RATIO_FALLS = 20
"""Falls that are listened to for it."""

MAX_AGAINST = 4.0
"""A ratio that fits worse than the best by more, in deviations squared, is none that may be."""

MAX_ROOM_SHARE = 0.9
"""A decay that is longer than this share of a room that nobody told may be a longer room's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TakePlayer:
    """What a take says of one player.

    Parameters
    ----------
    name, microphones
        Of the player, and of the files in which it was heard: all its attack, the first its decay.
    attack, decay
        What is stated, or None.
    tones
        The same by register or loudness where these differ.
    unknown
        Why something is not stated.
    """

    name: str
    microphones: tuple[str, ...]
    attack: Stated | None
    decay: Stated | None
    tones: tuple[LearnedTone, ...]
    unknown: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedTake:
    """What a take says: of every player, of every microphone, and why some were left out."""

    players: tuple[TakePlayer, ...]
    microphones: tuple[TakeMicrophone, ...]
    left_out: tuple[str, ...]


def learn_take(
    microphones: Sequence[Microphone],
    plan: PlanFile,
    *,
    reverberation_s: float | None = None,
    direct_to_reverberant_db: float | None = None,
    unheard: bool = False,
) -> LearnedTake:
    """Return what the microphones of one take say of its players.

    Parameters
    ----------
    reverberation_s
        Of the room, where it is told; else the plan's, which the falls must not contradict.
    direct_to_reverberant_db
        At the microphones, where it is told; else it is what fits best.
    unheard
        Whether the passage is taken to lie where it is told.

    Raises
    ------
    TakeError, AudioError
        See `retro.sounds.take_microphones.listened`.
    """
    opened = listened(microphones, plan, unheard=unheard)
    planned = plan.settings.room
    room = Room(
        planned.reverberation_s if reverberation_s is None else reverberation_s,
        planned.direct_to_reverberant_db
        if direct_to_reverberant_db is None
        else direct_to_reverberant_db,
    )
    read_in = readers(opened.microphones, plan)
    listeners = {}
    for at in {at for there in read_in.values() for at in there}:
        parts = [part for part, there in read_in.items() if at in there]
        listener = _Listener.at(plan, opened.microphones[at], parts, room)
        is_told = direct_to_reverberant_db is not None
        listeners[at] = listener if is_told else listener.among_rooms()
    return LearnedTake(
        players=tuple(
            first.player(part, others, is_room_told=reverberation_s is not None)
            for part, (first, *others) in (
                (part, [listeners[at] for at in there]) for part, there in read_in.items()
            )
        ),
        microphones=opened.microphones,
        left_out=opened.left_out,
    )


_Pairs = tuple[tuple[FreeEdge, Course], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Listener:
    """One microphone and what was heard in it: by part and edge, in the order of `Edge`.

    Parameters
    ----------
    rooms
        Those that may be heard, the best first.
    against
        What all parts say against these, and what each part says of it, shape (rooms, 1).
    """

    plan: PlanFile
    microphone: TakeMicrophone
    rooms: tuple[Room, ...]
    against: FloatArray
    of_it: dict[int, FloatArray]
    notes: tuple[TakeNote, ...]
    found: dict[tuple[int, Edge], Found]
    courses: dict[tuple[int, Edge], _Pairs]

    @classmethod
    def at(
        cls, plan: PlanFile, microphone: TakeMicrophone, parts: Sequence[int], room: Room
    ) -> "_Listener":
        notes, quiet = take_notes(plan), Quiet.of(microphone.take)
        among = microphone.parts or tuple(range(len(plan.parts)))
        rate, late_s = microphone.take.rate, microphone.late_s
        found = {
            (part, edge): free_edges(notes, part, edge, among=among, room=room, rate=rate)
            for part in parts
            for edge in Edge
        }
        heard = {
            key: [
                (one, course_of(microphone.take, one, quiet, room, late_s=late_s))
                for one in _spread(_inside(edges, microphone))
            ]
            for key, edges in found.items()
        }
        return cls(
            plan=plan,
            microphone=microphone,
            rooms=(room,),
            against=np.zeros((1, 1)),
            of_it={},
            notes=notes,
            found=found,
            courses={
                key: tuple((one, course) for one, course in pairs if course is not None)
                for key, pairs in heard.items()
            },
        )

    def among_rooms(self) -> "_Listener":
        """Return the same with the direct-to-reverberant ratios that may be, as the falls say."""
        is_near, room = bool(self.microphone.parts), self.rooms[0]
        apart_db = np.array(NEAR_RATIOS_DB if is_near else RATIOS_DB)
        tried = [
            Room(room.reverberation_s, room.direct_to_reverberant_db + db)
            for db in apart_db.tolist()
        ]
        of_it = {
            part: by_pitch(
                [
                    _in_rooms(course, tried, self.plan.parts[part].written_decay_s)
                    for _, course in pairs
                ],
                [free.note.pitch for free, _ in pairs],
            )
            .sum(axis=0)
            .min(axis=1)
            for part, pairs in self.some_falls().items()
        }
        doubt_db = NEAR_RATIO_DOUBT_DB if is_near else RATIO_DOUBT_DB
        against = sum(of_it.values(), (apart_db / doubt_db) ** 2)
        best = [at for at in np.argsort(against) if against[at] - against.min() <= MAX_AGAINST]
        return replace(
            self,
            rooms=tuple(tried[at] for at in best),
            against=against[best, np.newaxis],
            of_it={part: said[best, np.newaxis] for part, said in of_it.items()},
        )

    def some_falls(self) -> dict[int, _Pairs]:
        """Return some falls by part: in them the room is heard."""
        falls = [
            (part, pair)
            for (part, edge), pairs in self.courses.items()
            if edge is Edge.FALL
            for pair in pairs
        ]
        by_part: dict[int, _Pairs] = {}
        for part, pair in falls[:: max(-(-len(falls) // MAX_RATIO_FALLS), 1)]:
            by_part[part] = (*by_part.get(part, ()), pair)
        return by_part

    def player(self, part: int, others: Sequence["_Listener"], *, is_room_told: bool) -> TakePlayer:
        """Return what is heard of one player: its rises in other microphones, too."""
        planned = self.plan.parts[part]
        own = [note for note in self.notes if note.part == part]
        falling = Edge.RING if own and own[0].is_struck else Edge.FALL
        attacks = [
            one
            for listener in (self, *others)
            for one in listener.misfitting(part, Edge.RISE, planned.written_attack_s)
        ]
        decays = self.misfitting(part, falling, planned.written_decay_s)
        no_attack = self.why_not(part, Edge.RISE, attacks)
        no_decay = self.why_not(part, falling, decays)
        if no_decay is None and not is_room_told and falling is Edge.FALL:
            no_decay = self.may_be_the_room_s(decays)
        unknown = tuple(why for why in (no_attack, no_decay) if why is not None)
        damper_s = by_id(planned.instrument).damper_s
        if damper_s is not None:
            unknown += (f"damper figure: none is learned of takes, the usual {damper_s:g} s holds",)
        if own and own[0].is_unpitched:
            unknown = ("figures: strokes without a pitch are not learned from a take",)
        attacks = attacks if no_attack is None else []
        decays = decays if no_decay is None else ()
        return TakePlayer(
            name=planned.name,
            microphones=tuple(one.microphone.name for one in (self, *others)),
            attack=stated(attacks, Edge.RISE) if attacks else None,
            decay=stated(decays, falling) if decays else None,
            tones=tones(attacks, decays, falling),
            unknown=unknown,
        )

    def may_be_the_room_s(self, decays: Sequence[Misfit]) -> str | None:
        """Return why a decay cannot be told from that of a longer room; None where it can."""
        decay_s, room_s = together(decays, Edge.FALL).figure_s, self.rooms[0].reverberation_s
        if decay_s <= MAX_ROOM_SHARE * room_s:
            return None
        return (
            f"decay: {decay_s:.2f} s may be a room longer than the plan's {room_s:.2f} s; tell the "
            "room with --reverberation-s"
        )

    def misfitting(self, part: int, edge: Edge, nominal_s: float) -> tuple[Misfit, ...]:
        """Return how badly every figure fits the edges of a player that are heard."""
        heard = self._misfits(part, edge, nominal_s)
        if not heard:
            return ()
        found_s = together(heard, edge).figure_s
        if max(found_s / nominal_s, nominal_s / found_s) < AGAIN:
            return heard
        return self._misfits(part, edge, found_s)

    def _misfits(self, part: int, edge: Edge, nominal_s: float) -> tuple[Misfit, ...]:
        count = 1 if edge is Edge.RISE else len(self.rooms)
        rooms = self.rooms[:count]
        against = self.against - self.of_it.get(part, 0.0)
        return tuple(
            Misfit(
                note=free.note,
                misfit=_in_rooms(course, rooms, nominal_s),
                against=against[:count],
            )
            for free, course in self.courses[part, edge]
        )

    def why_not(self, part: int, edge: Edge, heard: Sequence[Misfit]) -> str | None:
        """Return why a figure of a player is not stated; None where it is."""
        found = self.found[part, edge]
        lost = len(found.edges) - len(_inside(found, self.microphone))
        return why_not(heard, edge, found, lost)


def _in_rooms(course: Course, rooms: Sequence[Room], nominal_s: float) -> FloatArray:
    """Return how badly every figure fits a course in every room, shape (rooms, figures)."""
    return np.array([misfits(course, room, nominal_s) for room in rooms])


def _inside(found: Found, microphone: TakeMicrophone) -> list[FreeEdge]:
    """Return the edges that lie in a file."""
    take, late_s = microphone.take, microphone.late_s
    return [
        one
        for one in found.edges
        if take.start_s <= one.start_s + late_s and one.end_s + late_s <= take.end_s
    ]


def _spread(edges: Sequence[FreeEdge]) -> list[FreeEdge]:
    """Return at most `MAX_EDGES` of some edges, evenly apart."""
    if len(edges) <= MAX_EDGES:
        return list(edges)
    return [edges[round(at)] for at in np.linspace(0, len(edges) - 1, MAX_EDGES)]
