"""What the page sends to the loudspeakers, rendered offline by the browser itself."""

import pytest
from selenium import webdriver

from tests.listening.conftest import READY, wait_until

OFFLINE = """
const done = arguments[arguments.length - 1];
async function offline(seconds, at_s, act) {
  const context = new OfflineAudioContext(2, seconds * audio.rate, audio.rate);
  Object.assign(audio, { context, master: context.createGain(), deck: null });
  audio.master.connect(context.destination);
  context.suspend(at_s).then(() => { act(); context.resume(); });
  play(START);
  const sound = await context.startRendering();
  const heard = sound.getChannelData(0).slice(0.03 * audio.rate);
  Object.assign(audio, { context: null, master: null, deck: null });
  return heard;
}
const of = (name, frame) => audio.held[name].buffer.getChannelData(0)[frame] * gainOfShown(name);
function gainOfShown(name) { audio.chosen = name; return gainOf(name); }
const START = Math.round(10 * audio.rate);
"""


@pytest.fixture
def still(page: webdriver.Chrome) -> webdriver.Chrome:
    """The page, before anything has sounded."""
    page.execute_script("byId('loop').value = 'none'")
    page.set_script_timeout(60)
    return page


def test_a_switch_crosses_from_one_sound_into_the_other_without_a_gap(
    still: webdriver.Chrome,
) -> None:
    worst, loudest, difference = still.execute_async_script(
        OFFLINE
        + """
        (async () => {
          audio.chosen = "flipped";
          const at_s = 128 * 375 / audio.rate; // contexts stop between blocks of 128 frames
          const heard = await offline(2, at_s, () => { audio.chosen = "plain"; setGains(); });
          const gains = { flipped: gainOfShown("flipped"), plain: gainOfShown("plain") };
          const channel = (name) => audio.held[name].buffer.getChannelData(0);
          let worst = 0, loudest = 0, difference = 0;
          const begun = Math.round(FADE_S * audio.rate) + 128; // the deck has faded in
          for (let i = begun; i < heard.length - 128; i += 1) {
            const share = Math.min(Math.max((i / audio.rate + 0.03 - at_s) / FADE_S, 0), 1);
            const one = channel("flipped")[START + i] * gains.flipped;
            const other = channel("plain")[START + i] * gains.plain;
            worst = Math.max(worst, Math.abs(heard[i] - (1 - share) * one - share * other));
            loudest = Math.max(loudest, Math.abs(heard[i]));
            difference = Math.max(difference, Math.abs(one - other));
          }
          done([worst, loudest, difference]);
        })();
        """
    )
    assert loudest > 0.01
    assert difference > 0.01
    assert worst < 1e-5


def test_the_loop_goes_round_to_the_sample(still: webdriver.Chrome) -> None:
    worst, loudest = still.execute_async_script(
        OFFLINE
        + """
        (async () => {
          audio.chosen = "flipped";
          const loop = [START - 4801, START + 9603];
          loopFrames = () => loop;
          const heard = await offline(2, 1, () => {});
          const gain = gainOfShown("flipped");
          const channel = audio.held.flipped.buffer.getChannelData(0);
          let worst = 0, loudest = 0, frame = START;
          for (let i = 0; i < heard.length - 128; i += 1) {
            if (i > 1000) worst = Math.max(worst, Math.abs(heard[i] - channel[frame] * gain));
            loudest = Math.max(loudest, Math.abs(heard[i]));
            frame += 1;
            if (frame === loop[1]) frame = loop[0];
          }
          done([worst, loudest]);
        })();
        """
    )
    assert loudest > 0.01
    assert worst < 1e-6


def test_moved_sound_goes_on_where_the_old_one_was(still: webdriver.Chrome) -> None:
    page = still
    page.execute_script("audio.at = Math.round(10 * audio.rate)")
    before = page.execute_script("return (audio.at - audio.before) / audio.rate")
    lead = page.execute_script("return audio.before")
    page.execute_script("move('reverberation_s', 4)")
    wait_until(page, READY)
    assert page.execute_script("return audio.before") > lead
    after = page.execute_script("return (at() - audio.before) / audio.rate")
    assert after == pytest.approx(before, abs=1e-9)
    lengths = page.execute_script(
        "return Object.values(audio.held).map(({ buffer }) => buffer.length - audio.frames)"
    )
    assert set(lengths) == {0}


def test_all_three_are_equally_loud(still: webdriver.Chrome) -> None:
    loud = still.execute_script(
        "return SOUNDS.map((name) => {"
        "  audio.chosen = name; return audio.held[name].lufs + 20 * Math.log10(gainOf(name)); })"
    )
    assert max(loud) - min(loud) < 0.01
    assert still.execute_script(
        "return SOUNDS.every((n) => { audio.chosen = n; return gainOf(n) <= 1 })"
    )
