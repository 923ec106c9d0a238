"""How the memory of server and page behaves while somebody tries settings for a long time.

Run: ``python -m tests.benchmarks.soak_listening SECONDS [BANK]``. It moves sliders and tracks of
the example at random, switches sounds and plays, and prints what both hold as time goes by. With a
bank of sounds the server has players, processes of their own, which count too.
"""

import json
import random
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from selenium import webdriver
from selenium.webdriver.support.ui import WebDriverWait

from tests.example import TARGET
from tests.sheet.conftest import ARGUMENTS, CHROMIUM, DRIVER

STEP_S = 20.0
MAX_WAIT_S = 300.0
"""Longest that a move may take, on a machine where others work too."""

READY = "return view !== null && shown === asked && heard === asked"
MOVES = (
    "move('reverberation_s', {value})",
    "move('direct_to_reverberant_db', {small})",
    "movePart('Harp', {{ landing: '{edge}' }})",
    "movePart('Celesta', {{ leave_out: {out} }})",
    "choose('{sound}')",
    "byId('place').value = {value}; byId('place').dispatchEvent(new Event('input'))",
)


def memory_mb(pid: int) -> float:
    """Return what a process holds of its own."""
    lines = Path(f"/proc/{pid}/status").read_text(encoding="utf-8").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("RssAnon")) / 1024


def parent(pid: int) -> int:
    """Return a process's parent; 0 where it has ended."""
    try:
        lines = Path(f"/proc/{pid}/status").read_text(encoding="utf-8").splitlines()
    except OSError:
        return 0
    return next(int(line.split()[1]) for line in lines if line.startswith("PPid"))


def descends(pid: int, ancestor: int) -> bool:
    """Return whether a process comes from another."""
    while pid > 1:
        if pid == ancestor:
            return True
        pid = parent(pid)
    return False


def players_of(server: int) -> list[int]:
    """Return the processes that a server started."""
    folders = Path("/proc").glob("[0-9]*")
    return [int(folder.name) for folder in folders if parent(int(folder.name)) == server]


def page_process(driver: webdriver.Chrome) -> int:
    """Return the process of the page: of the browser's renderers the one that holds most."""
    found = []
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            words = (folder / "cmdline").read_bytes()
        except OSError:
            continue
        if b"--type=renderer" in words and descends(int(folder.name), driver.service.process.pid):
            found.append(int(folder.name))
    return max(found, key=memory_mb)


def soak(driver: webdriver.Chrome, server: int, seconds: float) -> None:
    """Move and listen until the time is over."""
    chance = random.Random(1)
    began = told = time.monotonic()
    renderer = page_process(driver)
    moved = 0
    print("s  moves  server MB  players MB  page MB  JavaScript MB")
    while time.monotonic() - began < seconds:
        act = chance.choice(MOVES).format(
            value=round(chance.uniform(0.4, 3.5), 2),
            small=chance.randrange(-6, 8),
            edge=chance.choice(["start", "end"]),
            out=chance.choice(["true", "false"]),
            sound=chance.choice(["target", "plain", "flipped"]),
        )
        driver.execute_script(act)
        WebDriverWait(driver, MAX_WAIT_S, 0.02).until(lambda _: driver.execute_script(READY))
        moved += 1
        if time.monotonic() - told > STEP_S:
            told = time.monotonic()
            heap = driver.execute_script("return performance.memory.usedJSHeapSize") / 2**20
            at_s = told - began
            print(
                f"{at_s:5.0f} {moved:5} {memory_mb(server):8.0f} "
                f"{sum(map(memory_mb, players_of(server))):8.0f} {memory_mb(renderer):8.0f} "
                f"{heap:8.1f}",
                flush=True,
            )


def main() -> None:
    """Serve the example, open it, and soak."""
    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM or ""
    for argument in (*ARGUMENTS, "--autoplay-policy=no-user-gesture-required"):
        options.add_argument(argument)
    with tempfile.TemporaryDirectory() as folder:
        for path in (TARGET, TARGET.with_suffix(".toml")):
            shutil.copy(path, folder)
        song = f"{folder}/{TARGET.name}"
        command = [sys.executable, "-m", "retro", "listen", song, "--no-show"]
        for bank in sys.argv[2:]:
            command += ["--soundfont", bank]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as running:
            driver = webdriver.Chrome(options=options, service=webdriver.ChromeService(DRIVER))
            try:
                driver.get(running.stdout.readline().strip())
                WebDriverWait(driver, MAX_WAIT_S, 0.02).until(
                    lambda _: driver.execute_script(READY)
                )
                soak(driver, running.pid, float(sys.argv[1]))
                print(json.dumps(driver.get_log("browser")))
            finally:
                driver.quit()
                running.terminate()


if __name__ == "__main__":
    main()
