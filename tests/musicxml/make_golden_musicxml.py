"""Write the golden MusicXML again: ``python -m tests.musicxml.make_golden_musicxml``.

Look at what changed before you commit it.
"""

from pathlib import Path

from retro.musicxml.notice import notice_musicxml
from tests.notation.written import HEADING, WINDOW, harp, numbered, seven_eight, written

GOLDEN = Path(__file__).parent.parent / "golden" / "musicxml"


def golden_documents() -> dict[str, bytes]:
    """Return the documents by file name."""
    performance = seven_eight()
    insert = written(performance)
    return {
        "seven-eight-score.musicxml": insert.score,
        "seven-eight-piano.musicxml": insert.parts[-1],
        "harp-score.musicxml": written(harp()).score,
        "notice.musicxml": notice_musicxml(
            numbered(performance.target), heading=HEADING, window=WINDOW
        ),
    }


if __name__ == "__main__":
    GOLDEN.mkdir(parents=True, exist_ok=True)
    for name, document in golden_documents().items():
        (GOLDEN / name).write_bytes(document)
