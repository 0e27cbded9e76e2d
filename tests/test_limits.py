"""Rates and channels that no encoder takes are refused in words; what is let through can be written."""

import re

import numpy as np
import pytest
import soundfile

from gainlib.audio import Audio, AudioFile, GainlibError, write
from gainlib.audio.writing import check_limits


@pytest.mark.parametrize(
    ("name", "subtype", "channels", "rate_hz", "words"),
    [
        ("a.mp3", "MPEG_LAYER_III", 8, 48000, "MP3 takes 2 channels at most; write .wav or .flac"),
        ("a.mp3", "MPEG_LAYER_III", 2, 192000, "MP3 takes 8000, 11025, 12000, 16000, 22050, 24000, 32000, 44100 or"),
        ("a.opus", "OPUS", 1, 44100, "OPUS takes 8000, 12000, 16000, 24000 or 48000 Hz; write .wav or .flac"),
        ("a.ogg", "OPUS", 1, 96000, "OPUS takes 8000"),
        ("a.flac", "PCM_24", 1, 768000, "FLAC takes up to 655350 Hz; write .wav"),
        ("a.ogg", "VORBIS", 2, 384000, "VORBIS takes up to 200000 Hz; write .wav"),
        ("a.wav", "PCM_24", 1, 3_000_000_000, "WAV takes up to 2147483647 Hz; no format takes that rate"),
        ("a.flac", "PCM_24", 1, 3_000_000_000, "FLAC takes up to 655350 Hz; no format takes that rate"),
    ],
)  # fmt: skip
def test_what_no_encoder_takes(tmp_path, name, subtype, channels, rate_hz, words):
    with pytest.raises(GainlibError, match=re.escape(words)) as caught:
        write(tmp_path / name, Audio(np.zeros((3000, channels)), rate_hz), subtype)
    assert str(caught.value).startswith(f"{tmp_path / name}: {channels} channels at {rate_hz} Hz as ")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("name", "form", "subtype", "channels", "highest_hz"),
    [
        ("a.mp3", "MP3", "MPEG_LAYER_III", 2, 48000),
        ("a.opus", "OGG", "OPUS", 8, 48000),
        ("a.ogg", "OGG", "VORBIS", 8, 200_000),
        ("a.flac", "FLAC", "PCM_16", 8, 655_350),
        ("a.wav", "WAV", "PCM_16", 8, 2**31 - 1),
    ],
)
def test_what_is_let_through_can_be_written(tmp_path, name, form, subtype, channels, highest_hz):
    """libsndfile itself is the outside check: it writes and reads back all that passes, and refuses the next."""
    path = tmp_path / name
    for rate_hz in (8000, 12000, 16000, 24000, 48000, highest_hz):
        check_limits(path, form, subtype, rate_hz, channels)
        write(path, Audio(np.zeros((3000, channels)), rate_hz), subtype, overwrite=True)
        assert (AudioFile(path).rate_hz, AudioFile(path).frames) == (rate_hz, 3000)
    with pytest.raises(GainlibError, match="takes"):
        check_limits(path, form, subtype, highest_hz + 1, channels)
    if subtype != "VORBIS":  # the encoder does not refuse it but ends the process
        with pytest.raises((soundfile.SoundFileError, OverflowError, TypeError)):
            soundfile.write(path, np.zeros((3000, channels)), highest_hz + 1, subtype, format=form)


def test_an_encoders_own_refusal_tells_no_hidden_name(tmp_path, monkeypatch):
    """The name under which the file is written at first helps nobody."""

    def refuse(self, *_, **__):
        raise soundfile.LibsndfileError(1, prefix=f"Error opening {tmp_path / '.a.wav.0.part'}: ")

    monkeypatch.setattr(soundfile, "SoundFile", refuse)
    with pytest.raises(GainlibError, match="could not be written") as caught:
        write(tmp_path / "a.wav", Audio(np.zeros(100), 48000))
    assert ".part" not in str(caught.value)
