"""Sound that a test makes, as measuring hears it."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt


@dataclass(frozen=True)
class Sound:
    """Sound on insert time; silence before it and behind it."""

    sound: npt.NDArray[np.float64]
    rate: int
    start_s: float = 0.0

    @property
    def end_s(self) -> float:
        return self.start_s + len(self.sound) / self.rate

    def span(self, start_s: float, length_samples: int) -> npt.NDArray[np.float64]:
        first = round((start_s - self.start_s) * self.rate)
        padded = np.pad(self.sound, (max(-first, 0), length_samples))
        return padded[max(first, 0) : max(first, 0) + length_samples]
