"""Numbers that a file may state: what lies beyond them is refused where the file is read."""

from typing import Annotated

from msgspec import Meta

MIN_RATE, MAX_RATE = 8_000, 768_000
"""Frames a second that recordings have, and sessions that a clip is placed in."""

MAX_NUMBER = 1e12
"""Beyond any time in samples that a day has."""

Number = Annotated[float, Meta(ge=-MAX_NUMBER, le=MAX_NUMBER)]
Positive = Annotated[float, Meta(gt=0, le=MAX_NUMBER)]
NotNegative = Annotated[float, Meta(ge=0, le=MAX_NUMBER)]
Whole = Annotated[int, Meta(ge=-int(MAX_NUMBER), le=int(MAX_NUMBER))]
Count = Annotated[int, Meta(ge=0, le=int(MAX_NUMBER))]
Sha256 = Annotated[str, Meta(pattern="^[0-9a-f]{64}$")]
Rate = Annotated[int, Meta(ge=1, le=1_000_000)]
