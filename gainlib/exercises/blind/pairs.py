"""Meter readings of six pairs of clips, some fit for a fair comparison, with other columns that mislead."""

from dataclasses import dataclass

from gainlib.exercises.model import Option
from gainlib.exercises.variants import grid, pick, shuffled

PAIRS = 6
FAIR_LU = 0.1
NEAR_LU, FAR_LU = grid(0.02, 0.08, 0.01), grid(0.4, 1.5, 0.05)
COLUMNS = ("lufs", "peak", "rms")
_PEAK_APART_DB, _RMS_APART_DB = grid(1.5, 4, 0.1), grid(0.5, 2, 0.05)
_LUFS, _OVER_LUFS_DB, _RMS_OVER_DB = grid(-28, -20, 0.01), grid(9, 14, 0.1), grid(-1, 3, 0.05)
_ROUNDING = 1e-6


@dataclass(frozen=True)
class Draw:
    """The given values: loudness, peak and RMS of A and B for six pairs.

    Peaks agree exactly where loudness does not. RMS agrees in one fit pair and in one that is not.
    """

    def __call__(self, rng) -> dict:
        """Draw two to four fit pairs, in any place."""
        count = pick(rng, (2, 3, 4))
        fit = shuffled(rng, [True] * count + [False] * (PAIRS - count))
        same_rms = {pick(rng, [k for k in range(PAIRS) if fit[k] is kind]) for kind in (True, False)}
        drawn = {f"{side}_{name}": [] for side in "ab" for name in COLUMNS}
        for k in range(PAIRS):
            apart = {
                "lufs": (NEAR_LU if fit[k] else FAR_LU).draw(rng),
                "peak": _PEAK_APART_DB.draw(rng) if fit[k] else 0.0,
                "rms": 0.0 if k in same_rms else _RMS_APART_DB.draw(rng),
            }
            loudness = _LUFS.draw(rng)
            start = {
                "lufs": loudness,
                "peak": loudness + _OVER_LUFS_DB.draw(rng),
                "rms": loudness + _RMS_OVER_DB.draw(rng),
            }
            for name, decimals in zip(COLUMNS, (2, 1, 2), strict=True):
                sign = pick(rng, (-1, 1))
                drawn[f"a_{name}"].append(round(start[name], decimals))
                drawn[f"b_{name}"].append(round(drawn[f"a_{name}"][-1] + sign * apart[name], decimals))
        return drawn

    def holds(self, given: dict) -> bool:
        """Whether these could have been drawn: every pair clearly fit or clearly not, two to four of them fit."""
        gaps = [abs(a - b) for a, b in zip(given["a_lufs"], given["b_lufs"], strict=True)]
        sizes = [NEAR_LU if gap <= FAIR_LU else FAR_LU for gap in gaps]
        clear = all(
            any(abs(gap - value) < _ROUNDING for value in size.values) for gap, size in zip(gaps, sizes, strict=True)
        )
        return clear and 2 <= sizes.count(NEAR_LU) <= 4


def options(given: dict) -> tuple[Option, ...]:
    """Return one option a pair."""
    return tuple(Option(str(k + 1), f"pair {k + 1}") for k in range(PAIRS))


def equal_in(given: dict, column: str, within: float) -> list[str]:
    """Return the pairs in which a column agrees, as keys of options.

    Parameters
    ----------
    given : dict
        Values of the variant.
    column : {"lufs", "peak", "rms"}
        What is compared.
    within : float
        How near counts as equal, in dB or LU.

    Returns
    -------
    list of str
        "1" for the first pair.
    """
    readings = zip(given[f"a_{column}"], given[f"b_{column}"], strict=True)
    return [str(k) for k, (a, b) in enumerate(readings, start=1) if abs(a - b) <= within + _ROUNDING]


def fit(given: dict) -> list[str]:
    """Return the pairs matched within 0.1 LU."""
    return equal_in(given, "lufs", FAIR_LU)


def table(count: int = PAIRS) -> str:
    """Return the template of the readings as a table in Markdown."""
    heads = "| pair | loudness A, B (LUFS) | sample peak A, B (dBFS) | RMS A, B (dBFS) |\n|---|---|---|---|\n"
    cells = "{{a_lufs[{k}]:.2f}}, {{b_lufs[{k}]:.2f}} | {{a_peak[{k}]:.1f}}, {{b_peak[{k}]:.1f}}"
    row = "| {n} | " + cells + " | {{a_rms[{k}]:.2f}}, {{b_rms[{k}]:.2f}} |"
    return heads + "\n".join(row.format(k=k, n=k + 1) for k in range(count))


def gaps_in_words(given: dict) -> str:
    """Return the difference in loudness of every pair."""
    from gainlib.exercises.text import fill

    gaps = [abs(a - b) for a, b in zip(given["a_lufs"], given["b_lufs"], strict=True)]
    texts = [fill("pair {k}: {gap:.2f} LU", {"k": k, "gap": gap}) for k, gap in enumerate(gaps, start=1)]
    return ", ".join(texts)
