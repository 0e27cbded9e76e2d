"""Lab 12's marks: what a render says, what a hand with meters reaches, and each thing that has to be refused."""

import json
import re

import capstone_hand
import numpy as np
import pytest
from daily import daily, rest

from gainlib.audio import read, write
from gainlib.boxes import classify, null_depth_db
from gainlib.demo.faults import TAGS
from gainlib.demo.session import POOLS, drawn_chains
from gainlib.exercises import Events, Record, exercise, mark, tally
from gainlib.exercises.capstone import assignment, delivery, marks, measurements, reference
from gainlib.exercises.gradebook import gradebook
from gainlib.exercises.variants import PRACTICE
from gainlib.labs import lab12
from gainlib.levels import ratio_to_db
from gainlib.meters import measure
from gainlib.processors import Compressor

WHO, CLASS = "anna", "7b"
NEAR = {"01 kick": 0.1, "05 bass": 1.0, "06 guitar": 0.01, "09 lead vocal": 1.0}
"""Share of samples near the peak, in percent, above which a take is rounded off: the stems as they are have less."""
IDS = [f"12-{k}" for k in range(1, 7)]


def given_of(id, learner=WHO, attempt=0):
    return exercise(id).variant(learner, attempt, CLASS)


def marked(id, answer, learner=WHO):
    return mark(exercise(id), given_of(id, learner), answer)


@pytest.fixture(scope="module")
def right():
    return reference.controls(given_of("12-3"))


@pytest.fixture(scope="module")
def facts(right):
    given = given_of("12-5")
    return delivery.facts_of(measurements.figures_of(right, given), assignment.session(given).frames)


def changed(placed, *moves):
    """Return controls with some of them moved: (target, control, by)."""
    placed = json.loads(json.dumps(placed))
    for target, control, by in moves:
        placed[target][control] = round(placed[target][control] + by, 3)
    return placed


def first_box(linear=False):
    """Return a strip and the place of a box in it that cares about its level."""
    found = assignment.session(given_of("12-3"))
    boxes = [
        (strip.name, k)
        for strip in found.strips
        for k, box in enumerate(strip.inserts, 1)
        if linear == box.processor.linear
    ]
    return boxes[0]


# ---- the session ---------------------------------------------------------------------------------------------------


def test_all_six_are_about_one_session_and_another_learner_has_another():
    seeds = {given_of(id)["seed"] for id in IDS}
    assert len(seeds) == 1
    assert len({given_of(id)["task"] for id in IDS}) == 6
    assert given_of("12-1", "ben")["seed"] not in seeds and given_of("12-1", attempt=1)["seed"] not in seeds
    assert sum(exercise(id).points for id in IDS) == 100


@pytest.mark.parametrize("seed", range(60))
def test_drawn_chains(seed):
    chains = drawn_chains(seed)
    assert set(chains) == set(assignment.SOUNDING)
    boxes = [box for each in chains.values() for box in each]
    built_for = [box.reference_dbfs for box in boxes if not box.linear]
    assert all(-20 <= level <= -12 for level in built_for) and len(built_for) >= 8
    assert any(all(box.linear for box in each) for each in chains.values()), "one strip that does not care"
    assert sum(isinstance(box, Compressor) for box in boxes) >= 3
    assert chains == drawn_chains(seed)


def test_every_kind_of_box_is_what_it_is_marked_as():
    """The key of 12-2 goes by what a model declares; here each is measured."""
    kinds = {}
    for seed in range(40):
        for boxes in drawn_chains(seed).values():
            kinds |= {type(box).__name__: box for box in boxes}
    assert len(kinds) >= 6 and len(POOLS) == 10
    for name, box in kinds.items():
        assert classify(box).linear == box.linear, name


def report_from_figures(seed):
    """Report faults from what the panel shows, by the floors that the task states."""
    found = {}
    for stem in measurements.arrived(seed):
        level, tags = stem.reading.active_dbfs, set()
        if not np.isfinite(level):
            found[stem.name] = {"silent"}
            continue
        reversed_to = [value for value in (stem.correlation, stem.against_overheads) if value is not None]
        signs = {
            "too hot": level >= -13,
            "too low": level <= -34,
            "clipped": stem.reading.flat_runs >= 10,
            "DC": abs(stem.reading.dc_offset) >= 0.005,
            "noisy": stem.floor_dbfs is not None,
            "polarity": any(value <= -0.15 for value in reversed_to),
            "dual mono": stem.side_db is not None and stem.side_db < -80,
            "sparse": stem.reading.activity <= 0.15,
        }
        tags = {tag for tag, there in signs.items() if there}
        found[stem.name] = tags or {"none"}
    return {stem: [tag for tag in TAGS if tag in tags] for stem, tags in found.items()}


def told_apart(given):
    """Tell the retakes apart by what the table of the page shows."""
    kinds = {}
    for name, _, _, flat, near, noise in lab12.retakes_table(given).rows:
        rounded = float(near.split()[0]) > NEAR[name]
        kinds[name] = "low" if float(noise) < 50 else "converter" if int(flat) >= 3 else "preamp" if rounded else "good"
    return kinds


@pytest.mark.parametrize("learner", [*daily([WHO, "ben", "carla", "dora", "emil", "finn"], 1)])
def test_the_report_can_be_made_from_the_figures_shown(learner):
    given = given_of("12-1", learner)
    assert marked("12-1", [report_from_figures(given["seed"]), told_apart(given)], learner).state == "right"


# ---- measured by other means ---------------------------------------------------------------------------------------


def test_figures_against_a_plain_render(right, tmp_path):
    """The same nodes by ``render`` and ``measure``, and the null by real files of 24 bit."""
    given = given_of("12-5")
    found, session = measurements.figures_of(right, given), assignment.staged(right, given)
    nodes, summed = ("05 bass/insert 1/in", "05 bass/out", "drums/out", "bus"), measurements.parts_of(session)
    audios = session.render().audios([*nodes, *summed])
    for node in nodes:
        reading = measure(audios[node])
        level = found.levels[node]
        assert level.energy_dbfs == pytest.approx(reading.rms_dbfs, abs=1e-6)
        assert level.active_dbfs == pytest.approx(reading.active_dbfs, abs=1e-6)
    assert found.bus.true_peak_dbtp == pytest.approx(reading.true_peak_dbtp, abs=1e-6)
    assert found.bus.loudness_lufs == pytest.approx(reading.loudness_lufs, abs=1e-6)
    files = []
    for node in (*summed, "bus"):
        files.append(tmp_path / f"{len(files)}.wav")
        write(files[-1], audios[node])
    *parts, mix = [read(path) for path in files]
    depth = null_depth_db(mix, mix.with_samples(sum(part.samples.astype(float) for part in parts)))
    undithered = ratio_to_db(np.sqrt(1 / 3))  # worked by hand: rounding has 1/12 of a squared step, with dither 3/12
    assert depth < -100 and depth == pytest.approx(found.null_db + undithered, abs=1)


# ---- solved by hand ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("learner", [*daily([WHO, "ben"], 1)])
def test_a_hand_with_meters_gets_every_point(learner):
    """Another right way than the plan's, found from rendered audio with the plain meters."""
    given = given_of("12-3", learner)
    placed = capstone_hand.solved(given)
    assert placed != reference.controls(given)
    assert marked("12-3", placed, learner).state == "right"
    assert marked("12-4", placed, learner).state == "right"
    asked = [cell.split("|") for cell in given_of("12-6", learner)["cells"]]
    audios = assignment.staged(placed, given).render().audios(["bus", *(node for node, _ in asked)])
    bus = measure(audios["bus"])
    facts = {
        "bits": 24,
        "frames": audios["bus"].frames,
        "true_peak_dbtp": bus.true_peak_dbtp,
        "rms_dbfs": bus.rms_dbfs,
        "null_db": -110.0,
        "sha256": "a" * 64,
    }
    assert marked("12-5", {"controls": placed, "export": facts}, learner).state == "right"
    cells = []
    for node, meter in asked:
        reading = measure(audios[node])
        values = {"active": reading.active_dbfs, "peak": reading.sample_peak_dbfs, "rms": reading.rms_dbfs}
        values |= {"true peak": reading.true_peak_dbtp, "loudness": reading.loudness_lufs}
        cells.append(f"{values[meter]:.1f}".replace("-", "−").replace(".", ","))
    assert marked("12-6", {"controls": placed, "cells": cells}, learner).state == "right"


@pytest.mark.exhaustive
def test_drums_of_another_shape_keep_their_reduction():
    """Driven by the same energy, these drums were reduced by 0.14 dB more once they were staged."""
    given = given_of("12-4", "learner 14")
    assert given["seed"] == 250116
    assert marked("12-4", reference.controls(given), "learner 14").state == "right"


# ---- refused -------------------------------------------------------------------------------------------------------


def test_a_fault_missed_is_refused():
    given = given_of("12-1")
    report = assignment.faults(given)
    bearing = next(stem for stem, tags in report.items() if tags != ["none"] and stem != assignment.SILENT)
    missed = {**report, bearing: report[bearing][1:] or ["none"]}
    retakes = assignment.retake_kinds(given)
    verdict = marked("12-1", [missed, retakes])
    assert verdict.state == "partly" and 6 < verdict.points < 20
    assert re.search(r"you found \d+ of \d+, missed 1 and ticked \d too many; check which", verdict.feedback)
    many = {stem: ["none"] for stem in report}
    assert (marked("12-1", [many, None]).state, marked("12-1", [many, None]).points) == ("wrong", 0)
    one_off = {**retakes, "05 bass": next(kind for kind in lab12.RETAKE_WORDS if kind != retakes["05 bass"])}
    assert marked("12-1", [report, one_off]).points == pytest.approx(14 + 6 * (3 / 4 - 1 / 4) / (1 - 1 / 4))


@pytest.mark.parametrize(("by", "word"), [(3.0, "too hot"), rest(-3.0, "too soft")])
def test_a_drive_off_by_3_db_is_refused(right, by, word):
    name, number = first_box()
    control = "trim_db" if number == 1 else f"insert {number} in_db"
    verdict = marked("12-3", changed(right, (name, control, by)))
    assert verdict.state == "partly" and 10 < verdict.points < 25
    assert re.match(r"\d+ of \d+ boxes are right", verdict.feedback)
    place = rf"{name}, box {number}: (the active level at its input is|its input peaks at)"
    sentence = rf"{place} −[\d.]+ dBFS, [23]\.\d dB {word}; aim for"
    assert re.search(sentence, verdict.feedback, re.IGNORECASE)


def test_a_bypass_that_is_not_matched_is_refused(right):
    name, _ = first_box()
    boxes = assignment.session(given_of("12-3")).strip(name).inserts
    last = max(k for k, box in enumerate(boxes, 1) if not box.processor.linear)
    louder = changed(right, (name, f"insert {last} out_db", 0.6), (name, "post_trim_db", -0.6))
    verdict = marked("12-3", louder)
    assert verdict.state == "partly"
    assert re.search(rf"{name}, box {last} is 0\.\d+ dB louder than its bypass", verdict.feedback, re.I)
    near = changed(right, (name, f"insert {last} out_db", 0.2), (name, "post_trim_db", -0.2))
    assert marked("12-3", near).state == "right"


@pytest.mark.parametrize(
    ("name", "by"),
    [
        ("08 pad", 1.0), ("02 snare", -0.5),
        *(rest(*case) for case in (("08 pad", -0.5), ("02 snare", 1.0), ("10 backing", 1.0), ("10 backing", -0.5))),
    ],
)  # fmt: skip
def test_one_fader_moved_is_refused(right, name, by):
    verdict = marked("12-4", changed(right, (name, "fader_db", by)))
    assert verdict.state == "partly" and verdict.points > 15 and "11 of 12 strips are right" in verdict.feedback
    short, way = assignment.short_name(name), "louder" if by > 0 else "softer"
    off = re.search(rf"{short} is (\d\.\d\d) dB {way} against the", verdict.feedback, re.I)
    assert float(off[1]) == pytest.approx(abs(by), abs=0.03), "the middle of the others lies within hundredths of 0"
    assert "bring it within 0.2 dB" in verdict.feedback


def test_a_mix_without_staging_earns_nothing(right):
    """The sum rule alone: every fader to unity, and the output trim makes up for it; no box is fed or matched."""
    given = given_of("12-4")
    placed = assignment.as_found(given)
    for name in (*assignment.SOUNDING, *assignment.GROUPS):
        placed[name]["post_trim_db"] += placed[name]["fader_db"]
        for send in (control for control in placed[name] if control == "send cue level_db"):
            placed[name][send] -= placed[name]["fader_db"]
        placed[name]["fader_db"] = 0.0
    verdict = marked("12-4", placed)
    assert verdict.points < 4 and "strip counts once its boxes are fed and matched" in verdict.feedback


def test_boxes_marked_by_guessing_earn_nothing_in_the_mean():
    """Worked by hand: half of them right is what guessing gets, and earns nothing; 60 % earn a fifth."""
    given = given_of("12-2")
    right = assignment.kinds(given)
    for share in (0.5, 0.7):
        wrong = list(right)[: round((1 - share) * len(right))]
        answer = {box: ("linear" if kind == "nonlinear" else "nonlinear") if box in wrong else kind
                  for box, kind in right.items()}  # fmt: skip
        agreed = 1 - len(wrong) / len(right)
        assert marked("12-2", answer).points == pytest.approx(10 * (2 * agreed - 1) if agreed >= 0.6 else 0)


def test_a_fader_left_far_from_unity_is_refused(right):
    verdict = marked("12-4", changed(right, ("08 pad", "fader_db", -6.0), ("08 pad", "post_trim_db", 6.0)))
    assert verdict.state == "partly"
    assert re.search(r"Pad: the fader is at −\d\.\d dB, \d\.\d dB too far", verdict.feedback)


def test_less_effect_is_refused(right):
    verdict = marked("12-4", changed(right, ("10 backing", "send reverb level_db", -1.0)))
    assert verdict.state == "partly"
    assert re.search(r"Backing has (0\.9|1\.0)\d dB less effect against the dry sound than before", verdict.feedback)


def test_a_clipped_bus_is_refused(right, facts):
    verdict = marked("12-5", {"controls": reference.clipped(given_of("12-5"))["controls"], "export": facts})
    assert verdict.state == "wrong" and verdict.points == 0
    assert re.search(
        r"The bus peaks at \+\d\.\d\d dBTP, \d\.\d\d dB too hot; aim for −6\.5 to −6\.0 dBTP", verdict.feedback
    )
    assert re.search(r"It clips: \d+ samples? (is|are) over full scale", verdict.feedback)
    assert verdict.slips == ("clipped bus",)


def test_a_bus_half_a_dB_low_is_refused(right):
    direct = [name for name in assignment.SOUNDING if name not in assignment.DRUM_STRIPS]
    lower = changed(right, *((name, "post_trim_db", -0.5) for name in (*direct, "drums", "reverb")))
    verdict = marked("12-5", {"controls": lower, "export": None})
    assert verdict.state == "wrong" and "too low" in verdict.feedback


def test_nothing_moved_is_no_answer_and_one_click_earns_nothing(right):
    given = given_of("12-3")
    found = assignment.as_found(given)
    one = changed(found, ("08 pad", "trim_db", 0.1))
    assert marked("12-3", one).points == marked("12-4", one).points == 0
    assert marked("12-5", {"controls": one, "export": None}).points == 0
    assert marked("12-3", {}).state == "unattempted"


# ---- files ---------------------------------------------------------------------------------------------------------


def test_an_export_is_measured_and_its_place_is_not_kept(right, tmp_path):
    given = given_of("12-5")
    written = delivery.write_export(right, given, tmp_path / "out")
    assert set(written.facts) == set(delivery.FACTS) and str(tmp_path) not in json.dumps(written.facts)
    mix = read(tmp_path / "out" / "mix.wav")
    seen, plain = dict(written.handed_off.rows), measure(mix)
    assert seen["true peak"] == f"−{-plain.true_peak_dbtp:.1f} dBTP" and seen["word in use"] == "24 bit"
    assert seen["loudness"] == f"−{-plain.loudness_lufs:.1f} LUFS" and seen["flat tops"] == "0"
    parts = [read(path) for path in sorted((tmp_path / "out" / "stems").glob("*.wav"))]
    assert len(parts) == len(measurements.parts_of(assignment.session(given))) + 1, "and the silent one"
    depth = null_depth_db(mix, mix.with_samples(sum(part.samples.astype(float) for part in parts)))
    assert written.facts["null_db"] == pytest.approx(depth, abs=0.1) and depth < -90
    assert written.facts["null_db"] == pytest.approx(measurements.figures_of(right, given).null_db, abs=0.5)
    answer = {"controls": right, "export": written.facts}
    assert marked("12-5", answer).state == "right"
    for path in (tmp_path / "out").rglob("*.wav"):
        path.unlink()
    assert marked("12-5", json.loads(json.dumps(answer))).state == "right", "no file is opened again"
    other = changed(right, *((name, "post_trim_db", 0.1) for name in (*marks.DIRECT, "reverb")))
    verdict = marked("12-5", {"controls": other, "export": written.facts})
    assert verdict.state == "partly" and "it is the mix of other settings, so export again" in verdict.feedback


def test_a_clipping_mix_is_not_written(tmp_path):
    given = given_of("12-5")
    with pytest.raises(ValueError, match=r"the bus peaks at \+\d\.\d dBFS, and a 24-bit file would cut that off"):
        delivery.write_export(reference.clipped(given)["controls"], given, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_an_export_takes_no_other_folder_and_breaks_off_without_a_trace(right, tmp_path, monkeypatch):
    given, theirs = given_of("12-5"), tmp_path / "song"
    (theirs / "stems").mkdir(parents=True)
    (theirs / "stems" / "take 1.wav").write_bytes(b"an original")
    (theirs / "notes.txt").write_text("mine")
    with pytest.raises(ValueError, match=r"song holds 'notes.txt', which is not part of an export"):
        delivery.write_export(right, given, theirs)
    (theirs / "notes.txt").unlink()
    with pytest.raises(ValueError, match=r"song holds 'stems', which is not part of an export"):
        delivery.write_export(right, given, theirs)
    assert (theirs / "stems" / "take 1.wav").read_bytes() == b"an original"

    earlier = tmp_path / "out"
    (earlier / "stems").mkdir(parents=True)
    (earlier / "mix.wav").write_bytes(b"of before")

    def full(_plan, stems, **_):
        stems.mkdir()
        (stems / "01 kick.wav").write_bytes(b"half of it")
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(delivery, "write_stems", full)
    with pytest.raises(OSError, match="No space left"):
        delivery.write_export(right, given, earlier)
    assert (earlier / "mix.wav").read_bytes() == b"of before"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out", "song"], "nothing half-written is left"


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"bits": 16}, "The file has 16 bits, and it should have 24"),
        ({"frames": 1000}, "The file has 1000 frames, and it should have 1920000"),
        ({"null_db": -60.0}, "Subtracting the exported stems leaves −60 dB, and it should leave less than −90 dB"),
        ({"true_peak_dbtp": -5.0}, "The file reads −5.00 dBTP, but these controls give −6.2"),
        ({"rms_dbfs": -10.0}, "The file reads −10.00 dBFS"),
    ],
)
def test_a_file_that_is_not_this_mix(right, facts, change, said):
    verdict = marked("12-5", {"controls": right, "export": {**facts, **change}})
    assert verdict.state == "partly" and verdict.points == pytest.approx(10) and said in verdict.feedback


def test_a_path_is_no_answer(right, tmp_path):
    for bad in (str(tmp_path), {"file": "/etc/passwd"}, [str(tmp_path)], 3):
        verdict = marked("12-5", {"controls": right, "export": bad})
        assert verdict.state == "invalid" and "give what was measured on the exported mix" in verdict.feedback


# ---- the sheet -----------------------------------------------------------------------------------------------------


def test_cells_are_held_against_the_controls_handed_in(right):
    given = given_of("12-6")
    cells = exercise("12-6").solve(given)["cells"]
    assert marked("12-6", {"controls": right, "cells": cells}).points == 10
    half = {"controls": right, "cells": [*cells[:5], *(None for _ in cells[5:])]}
    assert marked("12-6", half).points == 5 and "no entry yet" in marked("12-6", half).feedback
    wrong = [round(value + 4.0, 1) for value in cells]
    verdict = marked("12-6", {"controls": right, "cells": wrong})
    assert verdict.points == 0 and "more than 3 dB too high" in verdict.feedback
    told = [value for value in cells if f"{value:.1f}".replace("-", "−") in verdict.feedback.replace("0.3 dB", "")]
    assert not [value for value in told if value not in wrong], "what is asked is not told"
    elsewhere = marked("12-6", {"controls": assignment.as_found(given), "cells": cells})
    assert elsewhere.points < 10


def test_every_cell_there_is_has_a_label_and_a_reading():
    given = given_of("12-6")
    found = measurements.figures_of(None, given)
    cells = list(delivery.cells_of(given["seed"]))
    assert len(cells) > 60 and len({delivery.label(cell) for cell in cells}) == len(cells)
    assert all(np.isfinite(delivery.reading(found, cell)) for cell in cells)


# ---- counted -------------------------------------------------------------------------------------------------------


def events(tmp_path, *steps):
    """Write events and return them: (kind, id, attempt, what)."""
    record = Record(tmp_path)
    for kind, id, attempt, what in steps:
        if kind == "hint":
            record.hint(WHO, id, attempt, what, CLASS)
        else:
            given = exercise(id).variant(WHO, attempt, CLASS)
            record.answer(WHO, id, attempt, what(given), given, CLASS)
    return Events(record.events().events)


def test_practice_costs_nothing_and_earns_nothing(tmp_path):
    practice = events(
        tmp_path / "a",
        *(("hint", "12-2", PRACTICE, k) for k in (1, 2)),
        ("answer", "12-2", PRACTICE, assignment.kinds),
    )
    score = tally(practice, WHO, CLASS, lab="12").scores["12-2"]
    assert (score.points, score.hints, score.state) == (0, 0, "unattempted")
    both = events(
        tmp_path / "b",
        *(("hint", "12-2", PRACTICE, k) for k in (1, 2)),
        ("answer", "12-2", PRACTICE, assignment.kinds),
        ("answer", "12-2", 0, assignment.kinds),
    )
    assert tally(both, WHO, CLASS, lab="12").scores["12-2"].points == 10
    hinted = events(tmp_path / "c", ("hint", "12-2", 0, 1), ("answer", "12-2", 0, assignment.kinds))
    assert tally(hinted, WHO, CLASS, lab="12").scores["12-2"].points == pytest.approx(8.5)


def test_a_gradebook_counts_it(tmp_path):
    record = Record(tmp_path)
    for id in IDS:
        given = given_of(id)
        record.answer(WHO, id, 0, exercise(id).solve(given), given, CLASS)
    marks = gradebook(tmp_path, lab="12")
    assert sum(row.points for row in marks.rows) == pytest.approx(100) and not marks.disagreements
    assert len(record.path.read_text().splitlines()) == 6 and record.path.stat().st_size < 60_000


def test_what_is_looked_at(right):
    """Every level-dependent box twice, every fader, every relation: nothing is left out for a name."""
    given = given_of("12-3")
    boxes = [box for strip in assignment.session(given).strips for box in strip.inserts if not box.processor.linear]
    assert len(marks.drive(right, given)) == 2 * len(boxes)
    assert len(marks.mix(right, given)) == 12 + 1 + 11 + 2 + 2
