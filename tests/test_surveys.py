"""Surveys on disk: used again, never wrongly, and never in the way."""

import numpy as np
import pytest

from gainlib.audio import Audio, AudioFile, write
from gainlib.session import Remeter, Session, Strip, scratch, surveys
from gainlib.session.survey import Survey

RATE_HZ = 48000
MOVE = {"s1": -7.0, "s2": 3.0}


@pytest.fixture
def cache(tmp_path, monkeypatch):
    """Keep every survey, in a folder of the test's own."""
    monkeypatch.setenv("GAINLIB_CACHE", str(tmp_path / "cache"))
    monkeypatch.setattr(surveys, "WORTH_S", -1.0)
    monkeypatch.setattr(surveys, "LARGE_SAMPLES", 0)
    return tmp_path / "cache" / "surveys"


@pytest.fixture
def session(tmp_path):
    """Return a session of three files."""
    rng, strips = np.random.default_rng(1), []
    for k in range(3):
        path = tmp_path / f"s{k}.wav"
        write(path, Audio(0.1 * rng.standard_normal((170_000, 1 + k % 2)), RATE_HZ))
        strips.append(Strip(f"s{k}", AudioFile(path), trim_db=float(k)))
    return Session(tuple(strips))


@pytest.fixture
def passes(monkeypatch):
    """Count the passes over the lanes."""
    count, take = [], Survey.take
    monkeypatch.setattr(Survey, "take", lambda self, *given: count.append(1) or take(self, *given))
    return count


def same(one, other):
    for name in list(one.__dataclass_fields__)[:6]:
        assert getattr(one, name) == pytest.approx(getattr(other, name), abs=1e-4), name


def test_a_survey_is_taken_once(cache, session, passes):
    first, second = Remeter(session), Remeter(session)
    assert len(passes) == 1
    same(first.read(MOVE), second.read(MOVE))


def test_other_gains_up_to_the_fader_are_another_survey(cache, session, passes):
    Remeter(session)
    Remeter(session.with_("s1", trim_db=5.0))
    assert len(passes) == 2


def test_a_changed_stem_is_another_survey(cache, session, passes, tmp_path):
    Remeter(session)
    for strip in session.strips:
        strip.audio.__dict__.pop("sha256", None)
    path = tmp_path / "other.wav"
    write(path, Audio(np.full((170_000, 1), 0.1), RATE_HZ))
    changed = session.with_("s0", audio=AudioFile(path))
    reading = Remeter(changed).read(MOVE)
    assert len(passes) == 2
    assert reading.rms_dbfs != Remeter(session).read(MOVE).rms_dbfs


@pytest.mark.parametrize("part", ["coarse0.npy", "fine1", "envelopes-low0.npy", "mix.npy"])
@pytest.mark.parametrize("damage", ["gone", "cut"])
def test_a_damaged_survey_is_taken_again(cache, session, passes, part, damage):
    wanted = Remeter(session).read(MOVE)
    (place,) = (each for each in cache.iterdir() if not each.name.startswith("."))
    if damage == "gone":
        (place / part).unlink()
    else:
        (place / part).write_bytes((place / part).read_bytes()[:-10])
    same(Remeter(session).read(MOVE), wanted)
    assert len(passes) == 2


def test_what_a_killed_process_left_is_ignored(cache, session, passes):
    cache.mkdir(parents=True)
    (cache / ".abc-123").mkdir()
    Remeter(session)
    Remeter(session)
    assert len(passes) == 1


def test_a_cache_that_cannot_be_written_is_done_without(monkeypatch, cache, session, passes, tmp_path):
    (tmp_path / "cache").write_text("a file where the folder should be")
    wanted = Remeter(session).read(MOVE)
    same(Remeter(session).read(MOVE), wanted)
    assert len(passes) == 2


def test_no_more_than_a_few_are_kept(cache, session, monkeypatch):
    monkeypatch.setattr(surveys, "KEPT", 2)
    for trim_db in range(4):
        Remeter(session.with_("s1", trim_db=float(trim_db)))
    assert len(list(cache.iterdir())) == 2


def test_an_empty_name_keeps_nothing(monkeypatch, session, passes, cache):
    monkeypatch.setenv("GAINLIB_CACHE", "")
    Remeter(session)
    Remeter(session)
    assert len(passes) == 2 and not cache.exists()


def test_products_on_disk_give_the_same(session, monkeypatch):
    wanted = Remeter(session).read(MOVE)
    monkeypatch.setattr(scratch, "IN_MEMORY_BYTES", 0)
    same(Remeter(session).read(MOVE), wanted)


def test_lossy_files_are_read_too(tmp_path, session):
    path = tmp_path / "s0.ogg"
    write(path, session.strip("s0").audio, "VORBIS")
    lossy = session.with_("s0", audio=AudioFile(path))
    loaded = session.with_("s0", audio=AudioFile(path).load())
    same(Remeter(lossy).read(MOVE), Remeter(loaded).read(MOVE))
