"""Files cut short, joined, or with headers that lie: the whole sound or an error, never a part of it in silence."""

import struct

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gainlib.audio import AudioFile, GainlibError, read

RATE = 48000
FRAMES = 9000
# What libsndfile, the library that writes these files, is asked for: format, subtype, suffix, channels.
KINDS = [
    ("WAV", "PCM_U8", ".wav", 2),
    ("WAV", "PCM_16", ".wav", 1),
    ("WAV", "PCM_24", ".wav", 2),
    ("WAV", "PCM_32", ".wav", 2),
    ("WAV", "FLOAT", ".wav", 2),
    ("WAV", "DOUBLE", ".wav", 1),
    ("WAV", "ULAW", ".wav", 1),
    ("WAV", "IMA_ADPCM", ".wav", 1),
    ("WAVEX", "PCM_24", ".wav", 6),
    ("RF64", "PCM_24", ".wav", 2),
    ("AIFF", "PCM_24", ".aiff", 2),
    ("AIFF", "FLOAT", ".aif", 1),
    ("AIFF", "PCM_S8", ".aiff", 1),
    ("FLAC", "PCM_16", ".flac", 2),
    ("FLAC", "PCM_24", ".flac", 1),
    ("OGG", "VORBIS", ".ogg", 2),
    ("OGG", "OPUS", ".opus", 2),
    ("MP3", "MPEG_LAYER_III", ".mp3", 2),
]
NAMES = [f"{form}-{subtype}" for form, subtype, _, _ in KINDS]


def _sound(channels):
    time_s = np.arange(FRAMES)[:, None] / RATE
    noise = np.random.default_rng(3).standard_normal((FRAMES, channels))
    return 0.3 * np.sin(2 * np.pi * 440 * (1 + np.arange(channels)) * time_s) + 0.05 * noise


@pytest.fixture(scope="module", params=KINDS, ids=NAMES)
def whole(request, tmp_path_factory):
    """Return the path of an intact file, written by libsndfile alone."""
    form, subtype, suffix, channels = request.param
    path = tmp_path_factory.mktemp("whole") / f"tone{suffix}"
    soundfile.write(path, _sound(channels), RATE, subtype, format=form)
    return path


def _cuts(size):
    near = [*range(1, 64, 3), *range(64, 1200, 97)]
    return sorted(
        {c for c in [*near, *(size * k // 23 for k in range(1, 23)), *(size - k for k in range(1, 12))] if 0 < c < size}
    )


def test_intact_file_is_read_whole(whole):
    """Every sample as libsndfile itself gives it."""
    outside, rate = soundfile.read(whole, dtype="float64", always_2d=True)
    audio = read(whole)
    assert (audio.rate_hz, audio.name) == (rate, "tone")
    assert audio.frames == FRAMES or soundfile.info(whole).subtype == "IMA_ADPCM"  # which fills up its last block
    np.testing.assert_array_equal(audio.samples, outside)


def test_cut_file_is_refused_or_whole(whole, tmp_path):
    """A cut that takes samples is an error with path and reason; one that takes only tags or padding costs nothing."""
    data, intact = whole.read_bytes(), read(whole).samples
    path = tmp_path / whole.name
    refused = []
    for cut in _cuts(len(data)):
        path.write_bytes(data[:cut])
        try:
            samples = read(path).samples
        except GainlibError as error:
            assert str(path) in str(error) and "\n" not in str(error)
            refused.append(cut)
        else:
            np.testing.assert_array_equal(samples, intact, err_msg=f"cut at {cut} of {len(data)}")
    assert set(_cuts(len(data) * 98 // 100)) & set(_cuts(len(data))) <= set(refused)


def test_cut_in_the_middle_says_truncated(whole, tmp_path):
    """Half a file is called truncated when its header is intact."""
    path = tmp_path / whole.name
    data = whole.read_bytes()
    path.write_bytes(data[: len(data) * 6 // 10])
    with pytest.raises(GainlibError, match=r"truncated") as caught:
        AudioFile(path)
    assert str(path) in str(caught.value)


def test_blocks_join_to_the_whole(whole):
    """Any start and block length gives the samples of one pass, in lossy files too."""
    intact = read(whole).samples
    source = AudioFile(whole)
    for frames, start, stop in ((1000, 0, None), (4096, 1, 8999), (777, 5000, None), (9000, 8999, 99999)):
        blocks = list(source.blocks(frames, start, stop))
        assert {len(block) for block in blocks[:-1]} <= {frames}
        np.testing.assert_array_equal(np.concatenate(blocks), intact[start:stop])


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_damaged_file_never_gives_another_error(whole, tmp_path, data):
    """Bytes overwritten at random: sound or GainlibError, no crash and nothing else."""
    bad = bytearray(whole.read_bytes())
    for _ in range(data.draw(st.integers(1, 6))):
        bad[data.draw(st.integers(0, min(len(bad) - 1, 400)))] = data.draw(st.integers(0, 255))
    path = tmp_path / whole.name
    path.write_bytes(bad)
    try:
        read(path)
    except GainlibError as error:
        assert str(path) in str(error) or "channels" in str(error)


def _wav(tmp_path, frames=1000, channels=2, name="a.wav"):
    path = tmp_path / name
    soundfile.write(path, _sound(channels)[:frames], RATE, "PCM_16")
    return path, bytearray(path.read_bytes())


def test_streamed_wav_is_read_to_its_end(tmp_path):
    """A data size of 0xFFFFFFFF, as a pipe leaves it, means: up to the end of the file."""
    path, data = _wav(tmp_path)
    at = data.index(b"data") + 4
    data[4:8] = data[at : at + 4] = b"\xff" * 4
    path.write_bytes(data)
    assert read(path).frames == 1000
    path.write_bytes(data[:-1])
    with pytest.raises(GainlibError, match="middle of a sample frame"):
        read(path)


@pytest.mark.parametrize("claim", [0x7FFFFFFF, 0xFFFFFFFE, 4001])
def test_huge_claim_is_refused_without_memory(tmp_path, claim):
    """A header that claims gigabytes is held against the file before anything is allocated."""
    path, data = _wav(tmp_path)
    at = data.index(b"data") + 4
    data[at : at + 4] = struct.pack("<I", claim)
    path.write_bytes(data)
    with pytest.raises(
        GainlibError, match=rf"truncated: the header states {claim} bytes of samples and 4000 are there"
    ):
        AudioFile(path)


def test_huge_claim_in_flac(tmp_path):
    """The 36 bits of the sample count in STREAMINFO (RFC 9639, 8.2) set to all ones."""
    path = tmp_path / "a.flac"
    soundfile.write(path, _sound(1), RATE)
    data = bytearray(path.read_bytes())
    data[21] |= 0x0F
    data[22:26] = b"\xff" * 4
    path.write_bytes(data)
    with pytest.raises(GainlibError, match="truncated or damaged: the header states 68719476735 frames"):
        AudioFile(path)


def test_flac_without_a_length_is_counted(tmp_path):
    """A sample count of 0 means unknown (RFC 9639, 8.2); encoders that write into a pipe leave it so."""
    path = tmp_path / "a.flac"
    soundfile.write(path, _sound(2), RATE)
    intact = read(path).samples
    data = bytearray(path.read_bytes())
    data[21] &= 0xF0
    data[22:26] = b"\0" * 4
    path.write_bytes(data)
    np.testing.assert_array_equal(read(path).samples, intact)
    path.write_bytes(data[: len(data) * 2 // 3])
    with pytest.raises(GainlibError, match="truncated or damaged"):
        read(path)


def test_wav_that_was_never_closed(tmp_path):
    """A recorder that lost power leaves a length of 0 in front of the samples."""
    path, data = _wav(tmp_path)
    at = data.index(b"data") + 4
    data[at : at + 4] = bytes(4)
    path.write_bytes(data)
    with pytest.raises(GainlibError, match="states a length of 0"):
        read(path)


def test_aiff_with_more_frames_than_samples(tmp_path):
    """The frame count of COMM is held against the sound chunk as well."""
    path = tmp_path / "a.aiff"
    soundfile.write(path, _sound(1)[:1000], RATE, "PCM_16")
    data = bytearray(path.read_bytes())
    at = data.index(b"COMM") + 10
    assert struct.unpack(">I", data[at : at + 4]) == (1000,)
    data[at : at + 4] = struct.pack(">I", 2000)
    path.write_bytes(data)
    with pytest.raises(GainlibError, match="truncated: the header states 4000 bytes of samples and 2000 are there"):
        read(path)


@pytest.mark.parametrize("suffix", [".mp3", ".ogg", ".opus"])
def test_two_files_joined_are_refused(tmp_path, suffix):
    """A decoder would give the first of two joined recordings and say nothing of the second."""
    path = tmp_path / f"a{suffix}"
    form, subtype = {".mp3": ("MP3", "MPEG_LAYER_III"), ".ogg": ("OGG", "VORBIS"), ".opus": ("OGG", "OPUS")}[suffix]
    soundfile.write(path, _sound(2), RATE, subtype, format=form)
    path.write_bytes(path.read_bytes() * 2)
    with pytest.raises(GainlibError, match="split it"):
        read(path)


def test_ogg_with_a_missing_page(tmp_path):
    """Pages are numbered in order (RFC 3533, section 6); one taken out of the middle is noticed."""
    path = tmp_path / "a.ogg"
    soundfile.write(path, np.tile(_sound(2), (20, 1)), RATE, "VORBIS", format="OGG")
    data = path.read_bytes()
    starts = [at for at in range(len(data)) if data.startswith(b"OggS\0", at)]
    assert len(starts) > 6
    path.write_bytes(data[: starts[4]] + data[starts[5] :])
    with pytest.raises(GainlibError, match="page 4 is missing"):
        read(path)


def _mp3(path, mode):
    """Write an MP3 that grows louder, and return it without its first frame, the one that states the count."""
    with soundfile.SoundFile(path, "w", RATE, 2, format="MP3", bitrate_mode=mode, compression_level=0.5) as file:
        file.write(np.tile(_sound(2), (4, 1)) * np.linspace(0, 1, 4 * FRAMES)[:, None] ** 3)
    data = path.read_bytes()
    at = data.index(b"Info" if mode == "CONSTANT" else b"Xing")
    assert at < 64
    return data[data.index(data[:2], at) :]


def test_mp3_without_a_frame_count(tmp_path):
    """At a constant rate every frame of 1152 samples (ISO/IEC 11172-3) is decoded, and a part of one refused."""
    path = tmp_path / "a.mp3"
    data = _mp3(path, "CONSTANT")
    path.write_bytes(data)
    audio = read(path)
    assert audio.frames >= 4 * FRAMES and audio.frames % 1152 == 0
    path.write_bytes(data[:-10])
    with pytest.raises(GainlibError, match="middle of a frame"):
        read(path)


def test_mp3_of_varying_rate_without_a_frame_count(tmp_path):
    """libsndfile guesses such a length from the first frame; it is decoded as a whole or refused, but never cut."""
    path = tmp_path / "a.mp3"
    path.write_bytes(_mp3(path, "VARIABLE"))
    assert read(path).frames >= 4 * FRAMES
    soundfile.write(path, np.flip(np.tile(_sound(2), (4, 1)) * np.linspace(0, 1, 4 * FRAMES)[:, None] ** 3, 0), RATE)
    data = path.read_bytes()
    path.write_bytes(data[data.index(data[:2], data.index(b"Xing")) :])
    assert soundfile.info(path).frames < 4 * FRAMES
    with pytest.raises(GainlibError, match=r"frames only \d+ could be decoded"):
        read(path)


@pytest.mark.parametrize("tag", [b"TAG" + bytes(125), b"APETAGEX" + bytes(24), bytes(500)])
def test_tags_around_mp3_are_skipped(tmp_path, tag):
    """ID3v2 before, ID3v1, APE or zeros after the sound are not sound, nor a sign of damage."""
    path = tmp_path / "a.mp3"
    soundfile.write(path, _sound(2), RATE, format="MP3")
    intact = read(path).samples
    id3 = b"ID3\x04\0\0\0\0\x02\x00" + bytes(256)
    path.write_bytes(id3 + path.read_bytes() + tag)
    np.testing.assert_array_equal(read(path).samples, intact)
