"""Audio in memory: the one guard that everything downstream trusts."""

import math
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from gainlib.audio import Audio, GainlibError


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_mono_is_one_column_of_the_same_type(dtype):
    """One dimension is mono; the type is kept."""
    audio = Audio(np.zeros(5, dtype), 48000)
    assert audio.samples.shape == (5, 1)
    assert audio.samples.dtype == dtype
    assert (audio.frames, audio.channels, audio.rate_hz, audio.name) == (5, 1, 48000, "")


@pytest.mark.parametrize("channels", range(1, 9))
def test_up_to_eight_channels(channels):
    """1 to 8 channels, frames first."""
    audio = Audio(np.zeros((100, channels)), 96000, "x")
    assert audio.channels == channels
    assert audio.duration_s == 100 / 96000


def test_array_is_kept_not_copied_and_read_only():
    """No copy is made, and nobody writes through the audio."""
    samples = np.zeros((10, 2))
    audio = Audio(samples, 48000)
    assert np.shares_memory(audio.samples, samples)
    with pytest.raises(ValueError, match="read-only"):
        audio.samples[0, 0] = 1.0
    samples[0, 0] = 1.0  # the caller's own array is not locked
    assert audio.samples[0, 0] == 1.0


def test_identity():
    """Two pieces of audio are equal only if they are the same."""
    samples = np.zeros(4)
    one, other = Audio(samples, 48000), Audio(samples, 48000)
    assert one == one and one != other
    assert len({one, other}) == 2


def test_frozen():
    """A rate is not changed behind anyone's back."""
    audio = Audio(np.zeros(4), 48000)
    with pytest.raises(AttributeError):
        audio.rate_hz = 44100


def test_values_beyond_full_scale_are_legal():
    """Only a converter or a short integer file has to clip."""
    assert Audio(np.array([3.0, -7.5]), 48000).samples.max() == 3.0


@pytest.mark.parametrize(
    ("samples", "words"),
    [
        (np.zeros(4, np.int16), "int16; give float32 or float64"),
        (np.zeros(4, np.float16), "float16; give float32 or float64"),
        (np.zeros(4, complex), "complex128; give float32 or float64"),
        (np.array(["a"]), "give float32 or float64"),
        (None, "give float32 or float64"),
        (np.zeros(0), "no frames"),
        (np.zeros((0, 2)), "no frames"),
        (np.zeros((2, 48000)), "did you mean the transpose?"),
        (np.zeros((8, 9)), "did you mean the transpose?"),
        (np.zeros((9, 9)), "9 channels; 1 to 8"),
        (np.zeros((9, 0)), "0 channels; 1 to 8"),
        (np.zeros((4, 2, 2)), "give \\(frames,\\) or \\(frames, channels\\)"),
        (np.float64(0.5), "give \\(frames,\\) or \\(frames, channels\\)"),
        (np.array([0, math.nan]), "nan at frame 1, channel 1"),
        (np.array([[0, 0], [0, math.inf]]), "inf at frame 1, channel 2"),
        (np.array([0, -math.inf], np.float32), "-inf at frame 1, channel 1"),
    ],
)
def test_bad_samples_say_what_would_do(samples, words):
    """Each wrong input raises the one error, with the name in front."""
    with pytest.raises(GainlibError, match=f"^kick: .*{words}"):
        Audio(samples, 48000, "kick")


def test_error_is_a_value_error():
    """Whoever catches ValueError catches ours, under the name readers know."""
    assert issubclass(GainlibError, ValueError)
    assert f"{GainlibError.__module__}.{GainlibError.__name__}" == "gainlib.audio.GainlibError"


@pytest.mark.parametrize("rate", [0, -48000, 44100.5, math.nan, math.inf, "48000", None, True, np.True_, 48000j])
def test_bad_rates(rate):
    """A rate is a positive whole number of Hz."""
    with pytest.raises(GainlibError, match="sample rate"):
        Audio(np.zeros(4), rate)


@pytest.mark.parametrize("rate", [48000, 48000.0, np.int64(48000), np.float32(48000)])
def test_whole_numbers_of_any_type_are_rates(rate):
    """What NumPy and JSON make of 48000 is still 48000."""
    assert Audio(np.zeros(4), rate).rate_hz == 48000
    assert type(Audio(np.zeros(4), rate).rate_hz) is int


@given(
    samples=arrays.arrays(
        np.float64, st.tuples(st.integers(1, 50), st.integers(1, 1)), elements=st.floats(-9, 9, width=32)
    ),
    frames=st.integers(1, 60),
    start=st.integers(0, 60),
    stop=st.none() | st.integers(0, 60),
)
def test_blocks_join_to_a_slice(samples, frames, start, stop):
    """Blocks are views that join to the slice asked for, whatever their length."""
    audio = Audio(samples, 48000)
    blocks = list(audio.blocks(frames, start, stop))
    assert all(len(block) == frames for block in blocks[:-1])
    assert all(np.shares_memory(block, samples) for block in blocks)
    np.testing.assert_array_equal(np.concatenate([samples[:0], *blocks]), samples[start:stop])


@pytest.mark.parametrize("arguments", [(0,), (-1,), (4, -1), (4, 0, -1)])
def test_bad_block_ranges_raise_at_once(arguments):
    """The call itself raises, not the first block."""
    with pytest.raises(GainlibError, match="frames"):
        Audio(np.zeros(4), 48000).blocks(*arguments)


def test_with_samples_keeps_rate_and_name():
    """New samples, same label."""
    audio = Audio(np.zeros(4), 44100, "kick").with_samples(np.ones((2, 2)))
    assert (audio.rate_hz, audio.name, audio.channels) == (44100, "kick", 2)
    assert audio.with_samples(np.ones(2), "snare").name == "snare"


def test_import_is_light():
    """Importing the package loads no numbers, no sound library and no screen."""
    code = (
        "import sys, gainlib; print(sorted({'numpy', 'scipy', 'numba', 'soundfile', 'matplotlib'} & set(sys.modules)))"
    )
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout == "[]\n"
