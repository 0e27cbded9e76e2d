"""Every synthesised compliance case at four sample rates, and two meters that must fail.

The table is in compliance.py with its sources; it is printed as it is run.
"""

import numpy as np
import pytest
from compliance import NOT_RUN, RATES_HZ, five_channels, late_file, metered, rows, stereo, table
from daily import daily

from gainlib.meters import channel_weights, gated_loudness, k_weighted
from gainlib.meters.loudness import loudness_of_power


@pytest.mark.parametrize("rate_hz", [*daily(RATES_HZ, 2)])
def test_every_case_conforms_and_hardly_drifts(rate_hz, capsys):
    of_rate = rows(rate_hz)
    with capsys.disabled():
        print(f"\n{table(of_rate)}")
    assert [str(row) for row in of_rate if not row.conforms] == []
    assert [str(row) for row in of_rate if not abs(row.deviation) <= row.drift] == []


def test_every_case_of_the_two_tables_is_run_or_listed():
    listed = " ".join([*(row.case for row in rows(48000)), *NOT_RUN])
    wanted = [f"Tech 3341 #{number}" for number in range(1, 24)] + [f"Tech 3342 #{number}" for number in range(1, 7)]
    assert [case for case in wanted if f"{case} " not in f"{listed} "] == []


def block_powers(audio, weights):
    """Return the weighted K power of 400 ms blocks every 100 ms, without the meter's own accumulator."""
    energy = (k_weighted(audio.samples, audio.rate_hz) ** 2) @ weights
    total = np.concatenate([[0.0], np.cumsum(energy)])
    window, hop = round(0.4 * audio.rate_hz), round(0.1 * audio.rate_hz)
    ends = np.arange(window, total.size, hop)
    return (total[ends] - total[ends - window]) / window


def test_without_the_surround_weight_case_6_fails():
    audio = five_channels(48000)
    right = gated_loudness(block_powers(audio, channel_weights(5)))
    wrong = gated_loudness(block_powers(audio, np.ones(5)))
    assert abs(right - -23.0) <= 0.1
    assert wrong == pytest.approx(-23.389, abs=0.005)
    assert abs(wrong - -23.0) > 0.1


def test_momentary_loudness_every_100_ms_fails_16_of_the_20_files_of_case_13():
    failed = {1: 0, 10: 0}
    lowest = {1: 0.0, 10: 0.0}
    for index in range(20):
        meter = metered(stereo(late_file(index, 0.02, 0.4), 48000))
        for step in failed:
            highest = loudness_of_power(meter.window_powers(40, step)[1]).max()
            failed[step] += abs(highest - -23.0) > 0.1
            lowest[step] = min(lowest[step], highest)
    assert failed == {1: 0, 10: 16}
    assert lowest[10] == pytest.approx(-23.45, abs=0.01)
