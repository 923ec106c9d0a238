"""Time of measuring a take against a plain full-length correlation with a rendered template.

Run it: ``python -m tests.benchmarks.bench_measure``. Processor time, best of five, in turns. The
correlation gives one offset and nothing about single players, drift or the room.
"""

import json
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile
from scipy.signal import correlate

from retro.measuring.measure import measure_take
from retro.read.plan_file import parse_plan
from tests.measuring.orchestra_take import LEAD_S, RATE, ensemble_plan, in_room, tone_take

REPEATS = 5
TAKE_S = 120


def main() -> None:
    """Print both times and their ratio."""
    plan = parse_plan(json.dumps(ensemble_plan(0)).encode(), where="plan.json")
    template = tone_take(plan, attack_s=0.03)
    heard = np.pad(in_room(template, 1.6), (0, TAKE_S * RATE - len(template)))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "take.wav"
        soundfile.write(path, heard, RATE, subtype="PCM_24")
        turns = [
            (_timed(lambda: _measured(path, plan)), _timed(lambda: _correlated(path, template)))
            for _ in range(REPEATS)
        ]
    ours_s, plain_s = (min(times) for times in zip(*turns, strict=True))
    print(f"measure {ours_s:.2f} s, correlate {plain_s:.2f} s, ratio {ours_s / plain_s:.2f}")


def _timed(run) -> float:
    start = time.process_time()
    run()
    return time.process_time() - start


def _measured(path, plan) -> float:
    return measure_take(path, plan, phrase_start_samples=int(LEAD_S * RATE)).lateness_ms


def _correlated(path, template) -> int:
    heard, _ = soundfile.read(path)
    return int(np.argmax(correlate(heard, template, mode="full", method="fft")))


if __name__ == "__main__":
    main()
