"""The refusals of retro: what it says when it will not go on.

RetroError                 base: one clear line, exit code 1
├── ReadError              a file cannot be read as what it should be
│   ├── MidiError          not a Standard MIDI File that we can use
│   ├── ScoreError         not a MusicXML score that we can use
│   ├── AudioError         not an audio file that we can use
│   ├── BankError          not a bank of sounds that we can use
│   ├── PlanError          not a plan.json that we can use
│   └── SettingsError      a settings file or a flag has a value that means nothing
├── WindowError            the wanted bars or markers are not in the song
├── LimitError             larger than the stated limits
├── TakeError              files that are not one take, or a take that says nothing
└── WriteError             the output would overwrite, or cannot be written
"""


def as_message(text: str) -> str:
    """Return a text as one line in which nothing can steer a terminal.

    Control characters, marks that turn the direction of a line, and bytes of file names that are
    no text stand as escapes.
    """
    line = " ".join(text.split())
    return "".join(
        char
        if char.isprintable()
        else char.encode("ascii", "backslashreplace").decode()
        if ord(char) > 0x7F
        else f"\\x{ord(char):02x}"
        for char in line
    )


class RetroError(Exception):
    """A refusal in one line.

    Parameters
    ----------
    what
        What is wrong, with the value that is wrong.
    where
        The file, bar, key or frame where it is wrong.
    advice
        What the person can do about it.
    """

    def __init__(self, what: str, *, where: object = None, advice: str | None = None) -> None:
        self.what = what
        self.where = where
        self.advice = advice
        super().__init__(what, where, advice)

    def __str__(self) -> str:
        place = f"{self.where}: " if self.where is not None else ""
        advice = f"; {self.advice}" if self.advice else ""
        return as_message(f"{place}{self.what}{advice}")


class ReadError(RetroError):
    """A file cannot be read as what it should be."""


class MidiError(ReadError):
    """Not a Standard MIDI File that we can use."""


class ScoreError(ReadError):
    """Not a MusicXML score that we can use."""


class AudioError(ReadError):
    """Not an audio file that we can use."""


class BankError(ReadError):
    """Not a bank of sounds that we can use."""


class PlanError(ReadError):
    """Not a plan that we can use."""


class SettingsError(ReadError):
    """A settings file or a flag has a value that means nothing."""


class WindowError(RetroError):
    """The wanted bars or markers are not in the song."""


class LimitError(RetroError):
    """Larger than the stated limits."""


class TakeError(RetroError):
    """Files that are not one take, or a take that says nothing."""


class WriteError(RetroError):
    """The output would overwrite something, or cannot be written."""
