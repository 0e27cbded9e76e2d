"""Sound files out: whole steps, no wrap, whole or not at all, and never over a source."""

import hashlib
import os
import sys

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from gainlib.audio import Audio, AudioFile, GainlibError, audio_files, audio_suffixes, is_held, read, replacing, write

RATE = 48000
BITS = {"PCM_U8": 8, "PCM_S8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
INTEGERS = [
    *((".wav", subtype) for subtype in ("PCM_U8", "PCM_16", "PCM_24", "PCM_32")),
    *((".aiff", subtype) for subtype in ("PCM_16", "PCM_24", "PCM_32")),
    *((".flac", subtype) for subtype in ("PCM_S8", "PCM_16", "PCM_24")),
    (".rf64", "PCM_24"),
]
LOSSY = [(".ogg", "VORBIS"), (".opus", "OPUS"), (".mp3", "MPEG_LAYER_III")]


def _noise(frames=2000, channels=2, seed=1):
    return Audio(np.random.default_rng(seed).uniform(-1, 1, (frames, channels)), RATE, "noise")


def _digest(path):
    return hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize(("suffix", "subtype"), INTEGERS)
@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    samples=arrays.arrays(
        np.float64,
        st.tuples(st.integers(1, 40), st.integers(1, 3)),
        elements=st.floats(-1, 1) | st.sampled_from([-1, 1]),
    )
)
def test_integers_come_back_within_half_a_step(tmp_path, suffix, subtype, samples):
    """Rounding costs half a step of 2^(1 − bits) at most; only +1, which has no code, costs a whole one."""
    path = tmp_path / f"a{suffix}"
    write(path, Audio(samples, RATE), subtype, overwrite=True)
    back, step = read(path).samples.astype(np.float64), 2.0 ** (1 - BITS[subtype])
    highest = 1.0 - step
    np.testing.assert_array_less(np.abs(back - np.minimum(samples, highest)), step / 2 * (1 + 1e-9))


@pytest.mark.parametrize(("suffix", "subtype"), INTEGERS)
def test_full_scale_does_not_wrap(tmp_path, suffix, subtype):
    """+1 becomes the highest code and −1 the lowest; read by libsndfile as integers."""
    path = tmp_path / f"a{suffix}"
    write(path, Audio(np.tile([1.0, -1.0, 0.0], 50), RATE), subtype)
    codes = soundfile.read(path, dtype="int32")[0] >> (32 - BITS[subtype])
    half = 2 ** (BITS[subtype] - 1)
    assert codes.tolist() == [half - 1, -half, 0] * 50


@pytest.mark.parametrize("suffix", [".wav", ".aiff", ".rf64"])
@pytest.mark.parametrize(("subtype", "dtype"), [("FLOAT", np.float32), ("DOUBLE", np.float64)])
def test_floats_come_back_exactly(tmp_path, suffix, subtype, dtype):
    """Floats hold what is beyond full scale as well."""
    samples = (_noise(70_000).samples * 30).astype(dtype)
    path = tmp_path / f"a{suffix}"
    write(path, Audio(samples, RATE), subtype)
    np.testing.assert_array_equal(read(path).samples, samples)


@pytest.mark.parametrize(("suffix", "subtype"), LOSSY)
@pytest.mark.parametrize("frames", [1, 100, 5000, 70_000])
def test_lossy_formats_keep_length_and_level(tmp_path, suffix, subtype, frames):
    """A tone comes back as long as it was and about as loud."""
    tone = 0.5 * np.sin(2 * np.pi * 997 * np.arange(frames)[:, None] / RATE) * np.ones(2)
    write(tmp_path / f"a{suffix}", Audio(tone, RATE), subtype)
    back = read(tmp_path / f"a{suffix}")
    assert (back.frames, back.channels, back.rate_hz) == (frames, 2, RATE)
    if frames > 1000:
        assert 20 * np.log10(back.samples.std() / tone.std()) == pytest.approx(0, abs=0.3)


@pytest.mark.parametrize("suffix", audio_suffixes())
def test_every_suffix_is_written_and_found_again(tmp_path, suffix):
    """What counts as audio in a folder can be written under that name, in small or capital letters."""
    subtype = {".mp3": "MPEG_LAYER_III", ".opus": "OPUS", ".ogg": "VORBIS", ".oga": "VORBIS"}.get(suffix, "PCM_16")
    for name in (f"a{suffix}", f"B{suffix.upper()}"):
        write(tmp_path / name, _noise(), subtype)
        assert read(tmp_path / name).frames == 2000
    assert [path.stem for path in audio_files(tmp_path)] == ["a", "B"]


def test_beyond_full_scale(tmp_path):
    """Integers refuse what they would clip, unless told; floats hold it."""
    loud, path = Audio(np.array([0.0, 0.5, -1.25]), RATE), tmp_path / "a.wav"
    with pytest.raises(GainlibError, match=r"sample -1.25 at frame 2, channel 1 is beyond ±1 .*\+1.94 dBFS.*clip=True"):
        write(path, loud)
    assert list(tmp_path.iterdir()) == []
    write(path, loud, clip=True)
    assert read(path).samples.ravel().tolist() == [0.0, 0.5, -1.0]
    write(tmp_path / "b.wav", loud, "FLOAT", clip=True)
    assert read(tmp_path / "b.wav").samples.min() == -1.0


@pytest.mark.parametrize(
    ("name", "subtype", "words"),
    [
        ("a.flac", "FLOAT", "FLAC cannot hold FLOAT; choose PCM_S8, PCM_16 or PCM_24"),
        ("a.wav", "PCM_S8", "WAV cannot hold PCM_S8; choose PCM_U8, PCM_16"),
        ("a.ogg", "PCM_24", "OGG cannot hold PCM_24; choose VORBIS or OPUS"),
        ("a.mp3", "PCM_24", "MP3 cannot hold PCM_24; choose MPEG_LAYER_III"),
        ("a.wav", "24 bit", "WAV cannot hold 24 bit; choose"),
        ("a.txt", "PCM_24", "no format is known for '.txt'; use .wav"),
        ("a", "PCM_24", "no format is known for ''; use .wav"),
        ("no/such/a.wav", "PCM_24", "folder .* does not exist"),
    ],
)
def test_what_cannot_be_written(tmp_path, name, subtype, words):
    """What the suffix allows is named."""
    with pytest.raises(GainlibError, match=words):
        write(tmp_path / name, _noise(), subtype)
    assert list(tmp_path.iterdir()) == []


def test_rate_or_channels_that_a_format_lacks(tmp_path):
    """The encoder's refusal is passed on with what was asked for; nothing is left behind."""
    for name, subtype, channels in (("a.mp3", "MPEG_LAYER_III", 6), ("a.opus", "OPUS", 2)):
        audio = Audio(np.zeros((100, channels)), 96000)
        with pytest.raises(
            GainlibError, match=rf"{channels} channels at 96000 Hz as \w+ {subtype} could not be written"
        ):
            write(tmp_path / name, audio, subtype)
    assert list(tmp_path.iterdir()) == []


def test_existing_file_stays_unless_told(tmp_path):
    """Without overwrite=True nothing is replaced."""
    path = tmp_path / "a.wav"
    write(path, _noise(seed=1))
    before = _digest(path)
    with pytest.raises(GainlibError, match="exists already"):
        write(path, _noise(seed=2))
    assert _digest(path) == before
    write(path, _noise(seed=2), overwrite=True)
    assert _digest(path) != before
    (tmp_path / "b.wav").mkdir()
    with pytest.raises(GainlibError, match="is a folder"):
        write(tmp_path / "b.wav", _noise(), overwrite=True)


def _links(path):
    """Return other names of the same file, as far as the system gives them."""
    names = [path, path.parent / "." / path.name]
    for make, name in ((os.link, "hard.wav"), (os.symlink, "soft.wav")):
        try:
            make(path, path.with_name(name))
        except OSError:
            continue
        names.append(path.with_name(name))
    return names


@pytest.mark.parametrize("opening", [AudioFile, read])
def test_a_source_is_never_written_over(tmp_path, opening):
    """By no name or link, told or not, while what was read from it lives."""
    path = tmp_path / "take 1.wav"
    soundfile.write(path, _noise().samples, RATE)
    before, source = _digest(path), opening(path)
    names = _links(path)
    assert len(names) == 4 or sys.platform == "win32"
    for name in names:
        assert is_held(name)
        with pytest.raises(GainlibError, match="stays as it is; choose another name"):
            write(name, source, overwrite=True)
    assert _digest(path) == before
    assert source.frames == 2000
    del source
    assert not any(is_held(name) for name in names)
    write(path, _noise(10), overwrite=True)
    assert read(path).frames == 10


def test_a_source_that_was_moved_away(tmp_path):
    """Its old name is not given to something else either: the session would take that for the take."""
    path = tmp_path / "a.wav"
    write(path, _noise())
    source = AudioFile(path)
    path.rename(tmp_path / "b.wav")
    with pytest.raises(GainlibError, match="stays as it is"):
        write(path, _noise())
    assert source.name == "a"


@pytest.mark.parametrize("failure", [KeyboardInterrupt, RuntimeError, MemoryError])
def test_interrupt_leaves_nothing_half_written(tmp_path, failure):
    """A failure between two blocks leaves the old file, and no other."""

    class Breaks:
        rate_hz, channels, frames = RATE, 1, 200_000

        def blocks(self):
            yield np.zeros((100_000, 1))
            raise failure

    path = tmp_path / "a.wav"
    write(path, _noise(10))
    before = _digest(path)
    with pytest.raises(failure):
        write(path, Breaks(), overwrite=True)
    assert [each.name for each in tmp_path.iterdir()] == ["a.wav"]
    assert _digest(path) == before


def test_full_disk(tmp_path):
    """When the system takes no more bytes, the old file stays; a limit on file size stands in for the full disk."""
    resource = pytest.importorskip("resource", reason="Windows has no such limit")
    path = tmp_path / "a.wav"
    write(path, _noise(10))
    before, limits = _digest(path), resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, limits[1]))
    try:
        with pytest.raises(GainlibError, match=r"a\.wav: .*could not be written"):
            write(path, _noise(100_000), overwrite=True)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert [each.name for each in tmp_path.iterdir()] == ["a.wav"]
    assert _digest(path) == before


def test_copy_of_a_lazy_source(tmp_path):
    """A file is written from a file, block by block."""
    write(tmp_path / "a.wav", _noise(200_000), "PCM_16")
    write(tmp_path / "b.flac", AudioFile(tmp_path / "a.wav"), "PCM_16")
    np.testing.assert_array_equal(read(tmp_path / "b.flac").samples, read(tmp_path / "a.wav").samples)


def test_long_wav_becomes_rf64(tmp_path, monkeypatch):
    """What 32 bits cannot state is written as RF64 (EBU Tech 3306), or refused where there is no such form."""
    monkeypatch.setattr("gainlib.audio.writing._LONGEST_32", 10_000)
    write(tmp_path / "a.wav", _noise())
    assert (tmp_path / "a.wav").read_bytes()[:4] == b"RF64"
    assert read(tmp_path / "a.wav").frames == 2000
    with pytest.raises(GainlibError, match="do not fit into AIFF"):
        write(tmp_path / "a.aiff", _noise())


@pytest.mark.parametrize(("bits", "level_db"), [(8, -48.17), (16, -96.33), (24, -144.49)])
def test_dither(tmp_path, bits, level_db):
    """Triangular dither and rounding leave noise of q²/4, −96.33 dB re amplitude 1 at 16 bit, free of the signal.

    Lipshitz, Wannamaker and Vanderkooy, JAES 40(5), 1992: q²/12 of rounding plus q²/6 of dither, 10·lg 3 over none.
    """
    subtype = "PCM_U8" if bits == 8 else f"PCM_{bits}"
    tone = 0.3 * np.sin(2 * np.pi * 997 * np.arange(4 * RATE) / RATE)
    write(tmp_path / "a.wav", Audio(tone, RATE), subtype, dither="tpdf")
    error = soundfile.read(tmp_path / "a.wav")[0] - tone
    assert 10 * np.log10(np.mean(error**2)) == pytest.approx(level_db, abs=0.05)
    assert abs(np.corrcoef(error, tone)[0, 1]) < 0.01
    assert abs(error.mean()) < 0.01 * 2.0 ** (1 - bits)


def test_dither_keeps_what_rounding_loses(tmp_path):
    """A tone of a third of a step is silence when rounded, and still there in dithered samples."""
    tone = 0.33 * 2**-15 * np.sin(2 * np.pi * 997 * np.arange(RATE) / RATE)
    write(tmp_path / "plain.wav", Audio(tone, RATE), "PCM_16")
    write(tmp_path / "dithered.wav", Audio(tone, RATE), "PCM_16", dither="tpdf")
    assert not read(tmp_path / "plain.wav").samples.any()
    kept = np.dot(soundfile.read(tmp_path / "dithered.wav")[0], tone) / np.dot(tone, tone)
    assert kept == pytest.approx(1, abs=0.06)


def test_dither_is_the_same_each_time_and_different_for_each_name(tmp_path):
    """Repeatable, but stems do not share their noise."""
    (tmp_path / "again").mkdir()
    for path in ("kick.wav", "snare.wav", "again/kick.wav"):
        write(tmp_path / path, Audio(np.zeros((5000, 2)), RATE), "PCM_16", dither="tpdf")
    kick, snare, again = (read(tmp_path / path).samples for path in ("kick.wav", "snare.wav", "again/kick.wav"))
    np.testing.assert_array_equal(kick, again)
    assert abs(np.corrcoef(kick[:, 0], snare[:, 0])[0, 1]) < 0.05
    assert abs(np.corrcoef(kick.T)[0, 1]) < 0.05


def test_dithered_full_scale_does_not_wrap(tmp_path):
    """The noise cannot carry a sample past the last code."""
    write(tmp_path / "a.wav", Audio(np.tile([1.0, -1.0], 2000), RATE), "PCM_16", dither="tpdf")
    back = read(tmp_path / "a.wav").samples
    assert back[::2].min() > 0.999 and back[1::2].max() < -0.999


@pytest.mark.parametrize(("subtype", "dither"), [("FLOAT", "tpdf"), ("PCM_16", "TPDF"), ("PCM_16", True)])
def test_dither_that_makes_no_sense(tmp_path, subtype, dither):
    """Floats need none, and no other kind is known."""
    with pytest.raises(GainlibError, match="dither"):
        write(tmp_path / "a.wav", _noise(), subtype, dither=dither)


def test_replacing_gives_the_usual_permissions(tmp_path):
    """A file that was written by way of another has the permissions of any new file."""
    (tmp_path / "plain").touch()
    with replacing(tmp_path / "new") as part:
        assert part.parent == tmp_path and part.name.startswith(".")
        part.write_text("x")
    assert (tmp_path / "new").stat().st_mode == (tmp_path / "plain").stat().st_mode
