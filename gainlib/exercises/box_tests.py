"""A box with its matched bypass, and tests of a box: halve what goes in, send it twice, send silence or two tones."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from gainlib.audio import Audio
from gainlib.exercises.experiment import Choice, Experiment, Listen, Picture, Plot, Run, Slider
from gainlib.levels import db_to_ratio, ratio_to_db
from gainlib.meters.average import averages
from gainlib.words import Table, depth_text, level_text

# ----------------------------------------------------------------------------------- a strip with a box, and its bypass

INTO, OUT_OF = "strip/insert 1/in", "strip/insert 1/out"


@dataclass(frozen=True, eq=False)
class Boxed:
    """A sound on both sides of the box of a strip, the gain behind it left out; what the box does to its energy."""

    before: Audio
    after: Audio
    gain_db: float


def boxed(run: Run) -> tuple[Audio, Audio, float]:
    """Return what a :class:`Boxed` is made from."""
    audios = run.trace.audios([INTO, OUT_OF])
    before, after = (averages(audio).rms_dbfs for audio in audios.values())
    return *audios.values(), after - before


def behind_db(run: Run, control: str) -> float:
    """Return the gain behind the box: as its control stands, or what gives active the energy of the bypass."""
    if not run.setting.get("matched"):
        return run.setting.get(control, 0.0)
    return -run.seen.gain_db if np.isfinite(run.seen.gain_db) else 0.0


def both_heard(control: str, ahead: str = "") -> Listen:
    """Return bypass and active, with the gain behind the box; `ahead` is what the gain ahead of it is called."""

    def sounds(run):
        gains = {"bypass": (run.seen.before, 1.0), "active": (run.seen.after, db_to_ratio(behind_db(run, control)))}
        return {
            side: audio.with_samples((audio.samples * gain).astype(np.float32)) for side, (audio, gain) in gains.items()
        }

    def note(setting):
        said = {True: f"The {ahead} is in both. ", False: "Judge only the level here. "}
        return said.get(setting.get("matched"), "") + "Clipping can harm tweeters: start low."

    return Listen(sounds, lambda setting: setting.get("matched", False), note)


def loudness_words(difference_db: float) -> str:
    """Return how loud active is against its bypass, in words.

    Examples
    --------
    >>> loudness_words(0.31), loudness_words(-0.02)
    ('**0.3 dB louder** than bypass', 'as loud as bypass')
    """
    if abs(difference_db) < 0.05:
        return "as loud as bypass"
    way = "louder" if difference_db > 0 else "softer"
    return f"**{level_text(abs(difference_db), signed=False)} {way}** than bypass"


# ------------------------------------------------------------------------------------------------------- tests of a box

RATE_HZ = 48000
HALF_DB = float(ratio_to_db(0.5))
SINE_HZ, TONES_HZ = 1000.0, (800.0, 1100.0)
FRAMES = RATE_HZ // 5
GAP_FRAMES = RATE_HZ // 2
LOWEST_DB = -200.0
MARGINS = {"left": 0.1, "right": 0.97, "top": 0.93, "wspace": 0.24}
CURVE_DBFS = tuple(float(level) for level in range(-60, 13, 6))
START_DBFS = -18.0


def fed(processor, samples: np.ndarray) -> np.ndarray:
    """Return what a box makes of mono samples, started from rest; shape (frames,)."""
    return np.asarray(processor.process(Audio(samples, RATE_HZ)).samples)[:, 0]


def sine(level_dbfs: float) -> np.ndarray:
    """Return a 1 kHz sine of that peak level, shape (frames,)."""
    return db_to_ratio(level_dbfs) * np.sin(2 * np.pi * SINE_HZ * np.arange(2 * FRAMES) / RATE_HZ)


def two_tones(level_dbfs: float) -> np.ndarray:
    """Return two equal sines whose sum has that RMS, sine-referred; shape (frames,)."""
    turn = 2 * np.pi * np.arange(2 * FRAMES) / RATE_HZ
    return db_to_ratio(level_dbfs) * sum(np.sin(turn * hz) for hz in TONES_HZ) / np.sqrt(2.0)


def rms(samples: np.ndarray) -> float:
    """Return the plain RMS."""
    return float(np.sqrt(np.mean(np.square(samples))))


def _level_dbfs(samples):
    return max(LOWEST_DB, float(ratio_to_db(max(rms(samples) * np.sqrt(2.0), 1e-12))))


def relative_db(error: np.ndarray, whole: np.ndarray) -> float:
    """Return the level of an error against the whole in dB, `LOWEST_DB` at least."""
    whole_rms = rms(whole)
    if whole_rms == 0.0:
        return LOWEST_DB if rms(error) == 0.0 else 0.0
    return max(LOWEST_DB, float(ratio_to_db(max(rms(error) / whole_rms, 1e-12))))


@lru_cache(maxsize=4096)
def halved_db(processor, level_dbfs: float) -> float:
    """Return what is left when twice the output for half the input is taken from the output, in dB against it.

    The sine has settled: its first half is left out.
    """
    whole, half = (fed(processor, sine(level))[FRAMES:] for level in (level_dbfs, level_dbfs + HALF_DB))
    return relative_db(whole - 2.0 * half, whole)


@lru_cache(maxsize=4096)
def level_out_dbfs(processor, level_dbfs: float) -> float:
    """Return the RMS level of the output for a sine, sine-referred."""
    return _level_dbfs(fed(processor, sine(level_dbfs))[FRAMES:])


@lru_cache(maxsize=4096)
def repeated_db(processor, level_dbfs: float) -> float:
    """Return by how much a box differs when it gets the same sine again after a pause, in dB against the first."""
    once = sine(level_dbfs)
    out = fed(processor, np.concatenate([once, np.zeros(GAP_FRAMES), once]))
    first, second = out[FRAMES : 2 * FRAMES], out[-FRAMES:]
    return relative_db(first - second, first)


@lru_cache(maxsize=1024)
def silent_dbfs(processor) -> float:
    """Return the RMS level of the output with silence in, offset included, sine-referred."""
    return _level_dbfs(fed(processor, np.zeros(FRAMES)))


@lru_cache(maxsize=256)
def two_tone_spectrum(processor, level_dbfs: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return frequencies in Hz, and the levels in dBFS of two tones there and of what a box makes of them."""
    window = np.hanning(FRAMES)
    scale = 2.0 / window.sum()
    sent = two_tones(level_dbfs)
    seen = [np.abs(np.fft.rfft(part[FRAMES:] * window)) * scale for part in (sent, fed(processor, sent))]
    hz = np.fft.rfftfreq(FRAMES, 1.0 / RATE_HZ)
    shown = (hz >= 20) & (hz <= 20000)
    return hz[shown], *(20.0 * np.log10(np.maximum(each[shown], 1e-10)) for each in seen)


def box_tester(
    named: Mapping[str, object], title: str, listen: Listen | None = None, turns: bool = False
) -> Experiment:
    """Return boxes under their names, one of them fed a sine, the sine once more, silence and two tones."""
    drive = Slider("drive_dbfs", "Sine in", -60.0, 12.0, 1.0, START_DBFS, "dBFS", page=6.0, decimals=0)
    choice = Choice("box", "Box", {name: name for name in named}, turns=turns) if len(named) > 1 else None
    tones = {"low_db": -120.0, "high_db": 20.0, "title": "Two tones, 800 and 1100 Hz"}

    def name(run):
        return run.setting.get("box", next(iter(named)))

    def out(run):
        levels = [level_out_dbfs(run.seen, level) for level in CURVE_DBFS]
        return CURVE_DBFS, levels, (run.setting.drive_dbfs, level_out_dbfs(run.seen, run.setting.drive_dbfs))

    def left(run):
        lines = [[test(run.seen, level) for level in CURVE_DBFS] for test in (halved_db, repeated_db)]
        return CURVE_DBFS, *lines, (run.setting.drive_dbfs, *_left_over(run))

    plots = {
        "O": Plot("out against in", out),
        "L": Plot("residuals", left),
        "T": Plot("spectrum", lambda run: two_tone_spectrum(run.seen, run.setting.drive_dbfs), tones),
    }
    return Experiment(
        (drive,) if choice is None else (choice, drive),
        (Picture("One box, fed as you set it", ("OL", "TT"), plots, margins=MARGINS),),
        read=lambda run: named[name(run)],
        told=lambda run: f"{name(run)}. With silence in, it gives {_silence_text(run.seen)}.",
        numbers=_numbers,
        listen=listen,
        title=title,
        lines=1,
    )


def _left_over(run):
    return halved_db(run.seen, run.setting.drive_dbfs), repeated_db(run.seen, run.setting.drive_dbfs)


def _silence_text(processor):
    level = silent_dbfs(processor)
    return "silence" if level <= LOWEST_DB else f"{level_text(level, 'dBFS')}, offset included"


def _numbers(run: Run) -> Table:
    drive = run.setting.drive_dbfs
    out, softest = level_out_dbfs(run.seen, drive), CURVE_DBFS[0]
    halved, repeated = _left_over(run)
    rows = (
        ("level out", level_text(out, "dBFS")),
        ("gain", level_text(out - drive)),
        ("gain, fed softest", level_text(level_out_dbfs(run.seen, softest) - softest)),
        ("halving the input leaves", depth_text(halved)),
        ("repeating it leaves", depth_text(repeated)),
    )
    return Table("What is read", ("reading", "value"), rows)
