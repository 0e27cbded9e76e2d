"""Surveys on disk: used again, never wrongly, and never in the way."""

import os
import shutil
from pathlib import Path

import numpy as np
import pytest

from gainlib.audio import Audio, AudioFile, write
from gainlib.session import Remeter, Session, Strip, cross_products, surveys
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
    for name in ("sample_peak_dbfs", "true_peak_dbtp", "rms_dbfs", "loudness_lufs", "momentary_max_lufs"):
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


def kept_in(cache):
    (place,) = (each for each in cache.iterdir() if not each.name.startswith("."))
    return place


def cut(path):
    path.write_bytes(path.read_bytes()[:-10])


def turn_bits(path):
    """Change some bytes in the middle, the length staying."""
    whole = bytearray(path.read_bytes())
    middle = range(len(whole) // 2, min(len(whole) // 2 + 4000, len(whole)))
    for at in middle:
        whole[at] ^= 0x55
    path.write_bytes(whole)


def fill_with_zeros(path):
    path.write_bytes(bytes(path.stat().st_size))


def begin_as_an_archive(path):
    path.write_bytes(b"PK\x03\x04" + path.read_bytes()[4:])


def put_a_folder_there(path):
    path.unlink()
    path.mkdir()


DAMAGES = (Path.unlink, cut, turn_bits, fill_with_zeros, begin_as_an_archive, put_a_folder_there)


@pytest.mark.parametrize("part", ["coarse0.npy", "fine0", "envelopes-low1.npy", "raw.npy"])
@pytest.mark.parametrize("damage", DAMAGES)
def test_a_damaged_survey_is_taken_again(cache, session, passes, part, damage):
    wanted = Remeter(session).read(MOVE)
    damage(kept_in(cache) / part)
    same(Remeter(session).read(MOVE), wanted)
    assert len(passes) == 2


@pytest.mark.parametrize("part", ["coarse1.npy", "raw.npy", "sums.npy", "mix.npy", "sampled-steps0.npy"])
def test_arrays_of_another_shape_are_not_believed(cache, session, passes, part):
    wanted = Remeter(session).read(MOVE)
    path = kept_in(cache) / part
    np.save(path, np.load(path)[..., :-1])
    same(Remeter(session).read(MOVE), wanted)
    assert len(passes) == 2


@pytest.mark.parametrize(
    "manifest", [b"", b"no JSON", b"\xff\xfe", b"[]", b"{}", b"[" * 100_000, b'{"about": 1, "files": 2}', None]
)
def test_a_survey_without_its_manifest_is_taken_again(cache, session, passes, manifest):
    wanted = Remeter(session).read(MOVE)
    path = kept_in(cache) / surveys.MANIFEST
    path.unlink()
    if manifest is not None:
        path.write_bytes(manifest)
    same(Remeter(session).read(MOVE), wanted)
    assert len(passes) == 2
    Remeter(session)  # the one taken anew is kept in its place
    assert len(passes) == 2


def test_a_survey_under_the_name_of_another_is_not_taken_for_it(cache, session, passes):
    Remeter(session)
    first = kept_in(cache)
    other = session.with_("s1", trim_db=9.0)
    wanted = Remeter(other).read(MOVE)
    second = next(each for each in cache.iterdir() if each != first)
    shutil.rmtree(second)
    first.rename(second)
    same(Remeter(other).read(MOVE), wanted)
    assert len(passes) == 3


def test_everything_is_on_the_disk_before_a_survey_gets_its_name(cache, session, monkeypatch):
    steps, fsync, replace = [], os.fsync, os.replace
    monkeypatch.setattr(os, "fsync", lambda number: steps.append("on the disk") or fsync(number))
    monkeypatch.setattr(os, "replace", lambda *names: steps.append("named") or replace(*names))
    Remeter(session)
    assert steps == ["on the disk"] * len(list(kept_in(cache).iterdir())) + ["named"]


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
    monkeypatch.setattr(cross_products, "IN_MEMORY_BYTES", 0)
    same(Remeter(session).read(MOVE), wanted)


def test_lossy_files_are_read_too(tmp_path, session):
    path = tmp_path / "s0.ogg"
    write(path, session.strip("s0").audio, "VORBIS")
    lossy = session.with_("s0", audio=AudioFile(path))
    loaded = session.with_("s0", audio=AudioFile(path).load())
    same(Remeter(lossy).read(MOVE), Remeter(loaded).read(MOVE))
