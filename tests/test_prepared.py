"""What is worked out ahead: mapped where it is there, the same numbers where it is not, whole or not at all."""

import numpy as np
import pytest

from gainlib.audio import prepared
from gainlib.labs import lab05
from gainlib.session import Remeter


@pytest.fixture
def place(tmp_path, monkeypatch):
    monkeypatch.setattr(prepared, "ROOT", tmp_path)
    prepared.folder.cache_clear()
    yield tmp_path
    prepared.folder.cache_clear()


def make():
    return np.linspace(0.0, 1.0, 4800, dtype=np.float32)


def test_only_a_set_up_keeps_and_all_others_map(place):
    (place / "prepared-of-another-version").mkdir()
    assert prepared.array("ramp", make).base is None and prepared.find("ramp") is None
    with prepared.setting_up():
        prepared.array("ramp", make)
        assert not list(place.glob("prepared-*/ramp")), "nothing is seen before all of it is there"
    found = prepared.array("ramp", lambda: pytest.fail("made again"))
    assert isinstance(found.base, np.memmap) and np.array_equal(found, make())
    assert [each.name for each in place.iterdir()] == [prepared.folder().name]


def test_what_was_not_finished_or_is_damaged_is_made_again(place):
    with pytest.raises(KeyboardInterrupt), prepared.setting_up():
        prepared.array("ramp", make)
        raise KeyboardInterrupt
    assert not list(place.iterdir())
    with prepared.setting_up():
        prepared.array("ramp", make)
    (prepared.folder() / "ramp" / "array.npy").write_bytes(b"half")
    assert np.array_equal(prepared.array("ramp", make), make())


def test_a_survey_from_its_files_reads_the_same(place):
    session = lab05.mix([0.0, -3.0] * 5)
    taken = Remeter(session)
    with prepared.setting_up():
        Remeter(session)
    mapped = Remeter(session)
    assert len(list(place.glob("prepared-*/survey *"))) == 1
    for faders in ({}, {"01 kick": -2.5, "05 bass": 3.0}, {"08 pad": -np.inf}):
        assert mapped.read(faders) == taken.read(faders)
