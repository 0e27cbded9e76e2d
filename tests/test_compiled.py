"""Loops that were compiled ahead are used wherever they can be read."""

import importlib.util
import os

import pytest
from numba.core.caching import InTreeCacheLocator, UserWideCacheLocator

LOOP = """from gainlib.compiled import loop

@loop("float64(float64)")
def twice(x):
    return 2.0 * x
"""


@pytest.fixture
def source(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    (tmp_path / "loops.py").write_text(LOOP)
    return tmp_path / "loops.py"


def refuse(*_):
    raise PermissionError(13, "Permission denied")


def hits(source):
    """Read the module anew; return how many of its loops were found compiled, and how many were compiled."""
    spec = importlib.util.spec_from_file_location("loops", source)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    assert module.twice(2.0) == 4.0
    return tuple(sum(each.values()) for each in (module.twice.stats.cache_hits, module.twice.stats.cache_misses))


def test_a_folder_that_cannot_be_written_is_read(source, monkeypatch):
    assert (hits(source), hits(source)) == ((0, 1), (1, 0))
    monkeypatch.setattr(InTreeCacheLocator, "ensure_cache_path", refuse)
    assert hits(source) == (1, 0)
    source.write_text(f"{LOOP}\n# of another day\n")
    assert (hits(source), hits(source)) == ((0, 1), (1, 0)), "compiled anew, and kept in the user's own folder"


def test_where_nothing_can_be_kept_loops_run_all_the_same(source, monkeypatch):
    for locator in (InTreeCacheLocator, UserWideCacheLocator):
        monkeypatch.setattr(locator, "ensure_cache_path", refuse)
    assert (hits(source), hits(source)) == ((0, 1), (0, 1))
    assert not list(source.parent.rglob("*.nbc")) and os.path.exists(source)
