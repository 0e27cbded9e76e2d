"""Sound files in: what is read, what is refused, and that originals stay as they are."""

import copy
import gc
import hashlib
import math
import os
import pickle
import sys
import unicodedata
from pathlib import Path

import numpy as np
import pytest
import soundfile
from locks import lock

from gainlib.audio import Audio, AudioFile, GainlibError, audio_files, audio_suffixes, read, write

RATE = 48000
KINDS = [
    (".wav", "PCM_U8"), (".wav", "PCM_24"), (".wav", "DOUBLE"), (".aiff", "PCM_16"), (".flac", "PCM_24"),
    (".ogg", "VORBIS"), (".opus", "OPUS"), (".mp3", "MPEG_LAYER_III"),
]  # fmt: skip


def _noise(frames=2000, channels=2, seed=1):
    return Audio(np.random.default_rng(seed).uniform(-1, 1, (frames, channels)), RATE, "noise")


@pytest.mark.parametrize(("form", "order"), [("WAV", "FILE"), ("WAVEX", "FILE"), ("RF64", "FILE"), ("WAV", "BIG")])
@pytest.mark.parametrize("channels", [1, 2, 3])
def test_24_bit_reads_as_the_library_reads_it(tmp_path, form, order, channels):
    """To the last bit, whole and from the middle on; only the plain order of bytes is unpacked here."""
    samples = np.concatenate([_noise(70001, channels).samples, np.full((5, channels), -1.0), np.ones((5, channels))])
    path = tmp_path / "noise.wav"
    soundfile.write(path, samples, RATE, "PCM_24", order, form)
    wanted = soundfile.read(path, dtype="float32", always_2d=True)[0]
    assert np.array_equal(read(path).samples, wanted)
    assert np.array_equal(np.concatenate(list(AudioFile(path).blocks(777, 1234, 60000))), wanted[1234:60000])


def _digest(path):
    return hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize(
    ("subtype", "dtype"),
    [
        ("PCM_U8", "float32"), ("PCM_16", "float32"), ("PCM_24", "float32"), ("ULAW", "float32"),
        ("IMA_ADPCM", "float32"), ("PCM_32", "float64"), ("FLOAT", "float64"), ("DOUBLE", "float64"),
    ],
)  # fmt: skip
def test_type_holds_the_file(tmp_path, subtype, dtype):
    """float32 holds 24 bit exactly; wider files give float64. libsndfile's own float64 is the outside value."""
    path = tmp_path / "a.wav"
    soundfile.write(path, _noise().samples * 0.9, RATE, subtype)
    audio = read(path)
    assert audio.samples.dtype == dtype == AudioFile(path).dtype
    np.testing.assert_array_equal(audio.samples.astype(np.float64), soundfile.read(path)[0])


@pytest.mark.parametrize("channels", [1, 2, 3, 6, 8])
def test_extensible_wav(tmp_path, channels):
    """WAVE_FORMAT_EXTENSIBLE, 1 to 8 channels."""
    path = tmp_path / "a.wav"
    soundfile.write(path, _noise(channels=channels).samples, RATE, "PCM_24", format="WAVEX")
    assert AudioFile(path).format == "WAVEX"
    np.testing.assert_array_equal(read(path).samples, soundfile.read(path, always_2d=True)[0])


def test_attributes_before_anything_is_decoded(tmp_path):
    """The lazy twin knows rate, channels, length and checksum."""
    path = tmp_path / "Kick in.v2.flac"
    soundfile.write(path, _noise(4800).samples, 96000, "PCM_16")
    source = AudioFile(path)
    assert (source.name, source.rate_hz, source.channels, source.frames) == ("Kick in.v2", 96000, 2, 4800)
    assert (source.format, source.subtype, source.duration_s) == ("FLAC", "PCM_16", 0.05)
    assert source.sha256 == _digest(path)
    assert source.load().name == source.name
    assert source.path.is_absolute()


def test_equal_if_the_file_is_the_same(tmp_path, monkeypatch):
    """Plain data: equal by path and file, hashable, frozen."""
    soundfile.write(tmp_path / "a.wav", _noise().samples, RATE)
    soundfile.write(tmp_path / "b.wav", _noise().samples, RATE)
    monkeypatch.chdir(tmp_path)
    assert AudioFile("a.wav") == AudioFile(tmp_path / "a.wav") != AudioFile("b.wav")
    assert len({AudioFile("a.wav"), AudioFile(tmp_path / "a.wav"), AudioFile("b.wav")}) == 2
    with pytest.raises(AttributeError):
        AudioFile("a.wav").path = tmp_path / "b.wav"


@pytest.mark.parametrize(
    "name", ["Bass Dröhn.wav", "ベース.wav", "🥁 kick.wav", 'it\'s 50% "hot".wav', " .wav", "~x.wav"]
)
def test_names_of_all_kinds(tmp_path, name):
    """File names are any text; the label is the name without suffix."""
    if sys.platform == "win32" and '"' in name:
        name = name.replace('"', "")
    path = tmp_path / unicodedata.normalize("NFD", name)
    write(path, _noise())
    assert read(path).name == path.stem
    with pytest.raises(GainlibError) as caught:
        read(tmp_path / f"not {name}")
    assert str(tmp_path / f"not {name}") in str(caught.value)


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux has file names that are no text")
def test_name_that_is_no_text(tmp_path):
    """Bytes that are no UTF-8 in a name do not stop the reading."""
    path = Path(os.fsdecode(os.fsencode(tmp_path) + b"/caf\xe9.wav"))
    write(path, _noise())
    assert read(path).frames == 2000


def _make_bad(tmp_path, kind):
    path = tmp_path / "bad.wav"
    if kind == "folder":
        path.mkdir()
    elif kind != "missing":
        path.write_bytes({"empty": b"", "text": b"Some words, no sound.\n" * 99, "noise": bytes(range(256)) * 40}[kind])
    return path


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("missing", "no such file"),
        ("folder", "is a folder"),
        ("empty", "is empty"),
        ("text", "not audio"),
        ("noise", "not audio"),
    ],
)
def test_what_is_no_sound(tmp_path, kind, words):
    """One sentence with path and reason, from `read` and from the lazy twin."""
    path = _make_bad(tmp_path, kind)
    for call in (read, AudioFile):
        with pytest.raises(GainlibError, match=words) as caught:
            call(path)
        assert str(caught.value).startswith(f"{path}: ") and "\n" not in str(caught.value)


@pytest.mark.parametrize("suffix", [".aiff", ".flac", ".ogg", ".mp3", ".raw", ".caf", ".au", ".snd", ".w64", ""])
def test_text_by_another_name(tmp_path, suffix, capfd):
    """A text file with any audio suffix is not audio, and no library writes complaints of its own."""
    path = tmp_path / f"notes{suffix}"
    path.write_text("Some words, no sound.\n" * 99)
    with pytest.raises(GainlibError, match="not audio"):
        read(path)
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize(
    ("form", "suffix"), [("CAF", ".caf"), ("AU", ".au"), ("W64", ".w64"), ("NIST", ".sph"), ("SVX", ".iff")]
)
def test_another_format_says_what_would_do(tmp_path, form, suffix):
    """What libsndfile would read and this workbook does not is refused by name, under any suffix."""
    for name in (f"a{suffix}", "b.wav"):
        soundfile.write(tmp_path / name, _noise(channels=1).samples, RATE, "PCM_16", format=form)
        with pytest.raises(GainlibError) as caught:
            read(tmp_path / name)
        assert str(caught.value) == f"{tmp_path / name}: {form} is not read here; convert it to WAV, AIFF or FLAC first"


@pytest.mark.parametrize("suffix", [".mp2", ".mp3"])
def test_older_layers_are_no_mp3(tmp_path, suffix):
    """MPEG layer II, here 32 frames of 48 kHz and 192 kbit/s by hand (ISO/IEC 11172-3, 2.4.2.3: 144 × 192/48 bytes)."""
    (tmp_path / f"a{suffix}").write_bytes((b"\xff\xfd\xa4\x00" + bytes(572)) * 32)
    with pytest.raises(GainlibError, match="not audio: no frame of MP3 in it"):
        read(tmp_path / f"a{suffix}")


def test_not_permitted(tmp_path, monkeypatch):
    """No permission is said as such; the refusal is made here, since the superuser is refused nothing."""
    path = tmp_path / "a.wav"
    write(path, _noise())

    def refuse(self, *arguments, **options):
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(GainlibError, match=r"cannot be read \(Permission denied\)"):
        read(path)


def test_somebody_elses_folder(tmp_path, monkeypatch):
    """What lies in it is refused by name, and so is a list of what does."""
    write(tmp_path / "a.wav", _noise())
    lock(monkeypatch, tmp_path)
    with pytest.raises(GainlibError, match=r"a\.wav: cannot be read \(Permission denied\); check the permissions"):
        read(tmp_path / "a.wav")
    with pytest.raises(GainlibError, match=r"cannot be read \(Permission denied\); check its permissions"):
        audio_files(tmp_path)


def test_no_folder_to_list(tmp_path):
    """A missing folder, a file and no path at all are no folder."""
    (tmp_path / "a.wav").touch()
    for path in (tmp_path / "gone", tmp_path / "a.wav", "nul\0"):
        with pytest.raises(GainlibError, match="is no folder"):
            audio_files(path)


def test_name_longer_than_a_file_can_have(tmp_path):
    """255 bytes are the most that common file systems take (POSIX asks for 14 at least)."""
    with pytest.raises(GainlibError, match=r"cannot be read \(File name too long\); check the name"):
        read(tmp_path / f"{'a' * 300}.wav")
    with pytest.raises(GainlibError, match="the name is too long"):
        write(tmp_path / f"{'a' * 252}.wav", _noise())
    assert list(tmp_path.iterdir()) == []
    write(tmp_path / f"{'a' * 251}.wav", _noise())


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="only Unix has pipes with a name")
def test_link_to_nothing_and_pipe_are_named(tmp_path):
    """They are listed with the sound files, and refused in words; nobody waits for a pipe to be filled."""
    (tmp_path / "b.wav").symlink_to(tmp_path / "gone.wav")
    os.mkfifo(tmp_path / "c.wav")
    (tmp_path / "d.wav").symlink_to(tmp_path / "d.wav")
    found = audio_files(tmp_path)
    assert [path.name for path in found] == ["b.wav", "c.wav", "d.wav"]
    for path, words in zip(
        found, ("is a link to .*gone.wav, which is not there", "no ordinary", "levels"), strict=True
    ):
        with pytest.raises(GainlibError, match=rf"{path.name}: .*{words}"):
            AudioFile(path)


def test_tag_behind_the_last_frame_of_a_flac(tmp_path):
    """Some programs put an ID3v1 (128 bytes) or APE tag there; what the encoder wrote is whole all the same."""
    path = tmp_path / "a.flac"
    soundfile.write(path, _noise(5000).samples, RATE, "PCM_24")
    whole, wanted = path.read_bytes(), read(path).samples
    for tag in (b"TAG" + bytes(125), b"APETAGEX" + bytes(24), b"APETAGEX" + bytes(24) + b"TAG" + bytes(125)):
        path.write_bytes(whole + tag)
        np.testing.assert_array_equal(read(path).samples, wanted)
        for missing in (1, 2, 100, 3000, len(whole) // 2):
            path.write_bytes(whole[:-missing] + tag)
            with pytest.raises(GainlibError, match="truncated or damaged"):
                AudioFile(path)


@pytest.mark.parametrize("another", [copy.copy, copy.deepcopy, lambda source: pickle.loads(pickle.dumps(source))])
def test_a_copy_protects_the_file_as_well(tmp_path, another):
    """The original may be gone; what was made of it still stands for the file."""
    path = tmp_path / "a.wav"
    write(path, _noise())
    twin = another(AudioFile(path))
    gc.collect()
    with pytest.raises(GainlibError, match="something open was read from this file"):
        write(path, _noise(seed=2), overwrite=True)
    assert twin.load().frames == 2000
    del twin
    gc.collect()
    write(path, _noise(seed=2), overwrite=True)


def test_parent_that_is_a_file(tmp_path):
    """A path through a file is a missing file."""
    path = tmp_path / "a.wav"
    write(path, _noise())
    with pytest.raises(GainlibError, match="no such file"):
        read(path / "b.wav")


def test_nine_channels(tmp_path):
    """More than eight channels are refused with the path."""
    path = tmp_path / "nine.wav"
    soundfile.write(path, np.zeros((100, 9)), RATE)
    with pytest.raises(GainlibError, match=r"nine\.wav: 9 channels; 1 to 8"):
        AudioFile(path)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("subtype", ["FLOAT", "DOUBLE"])
def test_not_a_number(tmp_path, value, subtype):
    """NaN and infinity in a float file are named with their place, far into the file as well."""
    samples = np.zeros((70_000, 2))
    samples[66_000, 1] = value
    path = tmp_path / "a.wav"
    soundfile.write(path, samples, RATE, subtype)
    with pytest.raises(GainlibError, match=rf"a\.wav: {value} at frame 66000, channel 2; every sample must be finite"):
        read(path)
    assert next(AudioFile(path).blocks(1000)).shape == (1000, 2)


def test_no_samples(tmp_path):
    """A header without sound is not silence."""
    path = tmp_path / "a.wav"
    soundfile.write(path, np.zeros((0, 2)), RATE)
    with pytest.raises(GainlibError, match="holds no samples"):
        read(path)


def test_file_changed_after_opening(tmp_path):
    """What was opened must be what is rendered."""
    path = tmp_path / "a.wav"
    soundfile.write(path, _noise().samples, RATE)
    source = AudioFile(path)
    soundfile.write(path, _noise(1000).samples, RATE)
    for use in (source.load, lambda: source.sha256, lambda: list(source.blocks())):
        with pytest.raises(GainlibError, match="was changed after it was opened"):
            use()
    path.unlink()
    with pytest.raises(GainlibError, match="no such file"):
        source.load()


def test_folder(tmp_path):
    """Audio suffixes of any case, by name without case; nothing hidden, no subfolders, nothing else."""
    for name in ("b.WAV", "A.flac", "c.mp3", ".hidden.wav", "notes.txt", "noSuffix", "a.Aiff", "e.caf"):
        (tmp_path / name).touch()
    (tmp_path / "d.wav").mkdir()
    assert [path.name for path in audio_files(tmp_path)] == ["a.Aiff", "A.flac", "b.WAV", "c.mp3", "e.caf"]
    assert {".wav", ".aif", ".aiff", ".flac", ".ogg", ".mp3"} <= set(audio_suffixes())
    assert ".caf" not in audio_suffixes(), "listed, so that nobody misses it without a word, but not read"


def test_reading_alters_nothing(tmp_path):
    """Bytes, time and folder are the same after everything that reads."""
    for suffix, subtype in KINDS:
        write(tmp_path / f"{subtype}{suffix}", _noise(), subtype)
    before = {path: (_digest(path), path.stat().st_mtime_ns) for path in tmp_path.iterdir()}
    for path in before:
        source = AudioFile(path)
        assert source.load().frames == sum(map(len, source.blocks(999))) and source.sha256
    assert {path: (_digest(path), path.stat().st_mtime_ns) for path in tmp_path.iterdir()} == before
