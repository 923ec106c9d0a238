"""Where a player sits in the stereo picture.

Places are common practice for a modern orchestra as the audience sees it (violins on the left,
basses on the right); -1 is far left, 1 far right.
"""

from retro.model.instruments import Player

SEATS: tuple[tuple[str, float], ...] = (
    ("piccolo-trumpet", 0.25),
    ("bass-trombone", 0.5),
    ("contrabass-trombone", 0.55),
    ("double-bass", 0.75),
    ("bass-drum", -0.3),
    ("basset-horn", -0.2),
    ("english-horn", 0.2),
    ("piccolo", -0.15),
    ("flute", -0.15),
    ("oboe", 0.15),
    ("clarinet", -0.2),
    ("saxophone", -0.3),
    ("bassoon", 0.2),
    ("flugelhorn", 0.25),
    ("horn", -0.4),
    ("trumpet", 0.25),
    ("cornet", 0.25),
    ("trombone", 0.45),
    ("euphonium", 0.5),
    ("tuba", 0.6),
    ("timpani", 0.1),
    ("harp", -0.6),
    ("violin", -0.65),
    ("viola", 0.3),
    ("cello", 0.55),
)
"""(part of an instrument's id, place); the first that fits counts."""

FAMILY_SEATS: dict[str, float] = {
    "woodwind": 0.0,
    "brass": 0.3,
    "percussion": -0.45,
    "plucked": -0.6,
    "keyboard": -0.5,
    "strings": 0.0,
}

SECOND_VIOLINS = -0.35


def seat(player: Player) -> float:
    """Return a player's place, -1 (left) to 1 (right); 0 where nothing is known."""
    id_ = player.instrument.id
    if "violin" in id_ and player.name.split()[-1:] in (["II"], ["2"]):
        return SECOND_VIOLINS
    for word, place in SEATS:
        if word in id_:
            return place
    return FAMILY_SEATS.get(player.instrument.family, 0.0)
