"""Files that want to do harm: ten thousand of them from one seed, and the rules that a verb must keep with each.

Every case stands for itself: its number gives its kind and, with the seed, all that is drawn for it. :func:`attempt`
lets one verb at a case and returns what it broke: a traceback, half a minute of work, an altered original, something
half-written, or something written where nothing was asked for.
"""

import contextlib
import csv
import functools
import hashlib
import io
import json
import signal
import struct
import sys
import time
import traceback
from pathlib import Path

import numpy as np
import soundfile

from gainlib import __main__ as command_line
from gainlib.audio import GainlibError
from gainlib.boxes import write_probe
from gainlib.exercises.record import FILE_NAME, Record

SEED = 20311
LIMIT_S = 30.0
LONG_S = 300.0  # where there are twelve hours to be read, which is work and no hang
RATE = 8000
FORMATS = (
    ("WAV", "PCM_16", ".wav"),
    ("WAV", "PCM_24", ".wav"),
    ("WAV", "FLOAT", ".wav"),
    ("RF64", "PCM_16", ".wav"),
    ("AIFF", "PCM_24", ".aiff"),
    ("FLAC", "PCM_16", ".flac"),
    ("OGG", "VORBIS", ".ogg"),
    ("MP3", "MPEG_LAYER_III", ".mp3"),
)
KINDS = {
    "truncated": 1400,
    "bits flipped": 1500,
    "bits of the header flipped": 1500,
    "absurd header": 1300,
    "NaN or infinite": 300,
    "1e30": 300,
    "one sample or none": 300,
    "chunks and rubbish": 400,
    "twelve hours of silence": 4,
    "session: text mutated": 500,
    "session: values": 500,
    "session: nested": 100,
    "session: names that climb": 196,
    "chains: text mutated": 300,
    "chains: values": 300,
    "chains: nested": 100,
    "records: text mutated": 400,
    "records: values": 300,
    "records: nested": 100,
    "no room on the disk": 200,
}
"""How many of each kind there are, 10,000 in all."""
VALUES = (
    None, True, -1, 0, 10**400, 2**63, 1e30, -1e30, 1e-320, "", "-inf", "NaN", "../../x", "\0", "\ud800", [], {}, [[]],
    "x" * 5000, {"type": "Saturation"}, "=1+1", 0.1,
)  # fmt: skip
CLIMBING = (
    "../climbed", "../../climbed", "/climbed", "..\\..\\climbed", "C:\\climbed", "a/../../climbed", "~/climbed",
    "climbed\0.wav", "CON", "..", ".", "a" * 300, "\u202egnp.wav", "file:///climbed", "$(climbed)", "clim\nbed",
)  # fmt: skip


def cases() -> list[tuple[str, int]]:
    """Return the kind of every case, and the how-manieth of its kind it is; the kinds are evenly mixed."""
    every = [(kind, turn) for kind, count in KINDS.items() for turn in range(count)]
    return [every[k] for k in np.random.default_rng(SEED).permutation(len(every))]


command_line.build_parser = functools.cache(command_line.build_parser)  # half the time of a short run, else


class Hang(BaseException):
    """Raised where a verb works for longer than the limit."""


# ---- what is good, once for all --------------------------------------------------------------------------------------


class Base:
    """Intact files of every kind, as bytes."""

    def __init__(self, folder: Path):
        folder.mkdir(parents=True)
        time_s = np.arange(RATE // 4)[:, None] / RATE
        tone = 0.3 * np.sin(2 * np.pi * np.array([220.0, 330.0]) * time_s)
        self.sounds = []
        for number, (form, subtype, suffix) in enumerate(FORMATS):
            path = folder / f"{number}{suffix}"
            soundfile.write(path, tone[:, : 1 + number % 2], RATE, subtype, format=form)
            self.sounds.append((suffix, path.read_bytes()))
        good = folder / "good.wav"
        soundfile.write(good, tone[:, :1], RATE, "PCM_16")
        self.good = good.read_bytes()
        probe = folder / "probe.wav"
        write_probe(probe, 44100)
        self.probe = probe.read_bytes()
        self.session = {
            "format": 1,
            "strips": [
                {"name": "good", "audio": {"file": "good.wav"}, "trim_db": 1.0, "fader_db": -6.0, "to": ["bus"],
                 "inserts": [{"processor": {"type": "Saturation", "drive": 2.0}, "in_db": 0.0}],
                 "sends": [{"to": "echo", "level_db": -9.0, "tap": "pre"}]},
                {"name": "other", "audio": {"file": "other.wav"}, "pan": 0.3, "polarity": -1},
            ],
            "groups": [{"name": "echo", "fader_db": -3.0}],
            "master": {"trim_db": 0.0, "fader_db": 0.0},
            "name": "song",
        }  # fmt: skip
        self.chains = {
            "stems": {"good": ["Filter", {"Saturation": {"drive": 2.0}}],
                      "oth*": {"chain": ["Compressor"], "fader_db": -6, "sends": {"echo": -12.0}, "group": "all"}},
            "groups": {"echo": {"fader_db": -3.0}, "all": {"chain": ["Filter"]}},
            "master": {"fader_db": 0.0},
        }  # fmt: skip
        lines = (Path(__file__).parent / "records" / "pim.jsonl").read_text(encoding="utf-8").splitlines()
        self.record = [json.loads(line) for line in lines[:12]]


# ---- mutations -------------------------------------------------------------------------------------------------------


def sound(kind: str, base: Base, rng) -> tuple[str, bytes]:
    """Return a suffix and the bytes of a sound file that was spoilt in some way."""
    suffix, data = base.sounds[rng.integers(len(base.sounds))]
    data = bytearray(data)
    if kind == "truncated":
        del data[int(rng.integers(0, len(data) if rng.random() < 0.6 else 80)) :]
    elif kind.startswith("bits"):
        end = len(data) if kind == "bits flipped" else min(len(data), 100)
        for place in rng.integers(0, end, int(2 ** rng.uniform(0, 6))):
            data[place] ^= 1 << int(rng.integers(8))
    elif kind == "absurd header":
        suffix, data = ".wav", absurd(rng)
    elif kind == "chunks and rubbish":
        size = int(rng.integers(1, 400))
        rubbish = rng.bytes(size) if rng.random() < 0.5 else b"LIST" + struct.pack("<I", int(rng.integers(2**32)))
        place = int(rng.choice([12, len(data), rng.integers(0, len(data))]))
        data[place:place] = rubbish
    else:
        suffix, data = ".wav", odd_samples(kind, rng)
    return suffix, bytes(data)


def absurd(rng) -> bytes:
    """Return a WAV or RF64 whose header was made up field by field, with a little sound behind it."""

    def number(bits, *good):
        return int(rng.choice([0, 1, 2**bits - 1, 2 ** (bits - 1), *good]))

    form = struct.pack(
        "<HHIIHH", number(16, 1, 3, 0xFFFE), number(16, 1, 2, 6, 300), number(32, 8000, 48000, 7),
        number(32, 16000), number(16, 2, 4), number(16, 8, 16, 24, 7),
    )  # fmt: skip
    body = rng.bytes(int(rng.integers(0, 600)))
    head = rng.choice([b"RIFF", b"RF64", b"RIFX", b"FORM"])
    ds64 = b"ds64" + struct.pack("<IQQQI", 28, 2**63, 2**62, 2**61, 0) if head == b"RF64" else b""
    size = number(32, len(body), len(body) + 36)
    return (
        bytes(head) + struct.pack("<I", size) + b"WAVE" + ds64 + b"fmt " + struct.pack("<I", number(32, 16, 16, 16, 18))
        + form + b"data" + struct.pack("<I", number(32, len(body), len(body))) + body
    )  # fmt: skip


def odd_samples(kind: str, rng) -> bytes:
    """Return a WAV of floats that holds what no converter gives."""
    frames = int(rng.integers(0, 2)) if kind.startswith("one") else int(rng.integers(1, 3000))
    x = 0.3 * rng.standard_normal((frames, int(rng.integers(1, 3))))
    subtype = str(rng.choice(["FLOAT", "DOUBLE", *(["PCM_16"] if kind.startswith("one") else [])]))
    if kind.startswith("NaN"):
        x[rng.integers(frames)] = rng.choice([np.nan, np.inf, -np.inf])
    elif kind == "1e30":
        x[rng.integers(frames, size=max(1, frames // 7))] *= 10.0 ** rng.uniform(25, 38)
    out = io.BytesIO()
    soundfile.write(out, x, RATE, subtype, format="WAV")
    return out.getvalue()


def silence(path: Path, hours: float) -> None:
    """Write silence as a file that takes no room."""
    size = int(hours * 3600 * RATE) * 2
    with path.open("wb") as file:
        file.write(
            b"RIFF"
            + struct.pack("<I", size + 36)
            + b"WAVEfmt "
            + struct.pack("<IHHIIHH", 16, 1, 1, RATE, 2 * RATE, 2, 16)
        )
        file.write(b"data" + struct.pack("<I", size))
        file.truncate(44 + size)


def text(kind: str, whole, rng) -> bytes:
    """Return JSON that was mutated as text, in its values, or by its depth."""
    if kind.endswith("nested"):
        depth = int(10 ** rng.uniform(2, 5.3))
        open_, close = [("[", "]"), ('{"strips":[', "]}"), ('{"stems":{"a":', "}}"), ('{"a":', "}")][rng.integers(4)]
        deep = open_ * depth + "1" + (close * depth if rng.random() < 0.7 else "")
        return (deep + "\n").encode()
    if kind.endswith("values"):
        whole = json.loads(json.dumps(whole))
        for _ in range(int(rng.integers(1, 4))):
            spoil_value(whole, rng)
        return dumped(whole).encode("utf-8", "surrogatepass")
    data = bytearray(dumped(whole).encode())
    for _ in range(int(rng.integers(1, 6))):
        place = int(rng.integers(0, len(data)))
        match int(rng.integers(4)):
            case 0:
                data[place] ^= 1 << int(rng.integers(8))
            case 1:
                del data[place : place + int(rng.integers(1, 40))]
            case 2:
                data[place:place] = bytes(data[int(rng.integers(0, place + 1)) : place])
            case _:
                data[place:place] = rng.choice(
                    [b"NaN", b"Infinity", b"1e999", b"\xff\xfe", b"\x00", b'"', b"\xef\xbb\xbf"]
                )
        data = data or bytearray(b"x")
    return bytes(data)


def dumped(whole) -> str:
    """Return JSON, or JSON lines for a list of events."""
    if isinstance(whole, list):
        return "".join(json.dumps(each) + "\n" for each in whole)
    return json.dumps(whole)


def spoil_value(whole, rng) -> None:
    """Put something absurd in some place of nested lists and objects, or take one away, or name it otherwise."""
    at = whole
    while True:
        keys = list(at) if isinstance(at, dict) else list(range(len(at)))
        if not keys:
            return
        key = keys[int(rng.integers(len(keys)))]
        deeper = isinstance(at[key], dict | list) and at[key]
        if not deeper or rng.random() < 0.2:
            break
        at = at[key]
    choice = rng.random()
    if choice < 0.8:
        at[key] = VALUES[int(rng.integers(len(VALUES)))]
    elif choice < 0.9:
        del at[key]
    elif isinstance(at, dict):
        at[str(VALUES[int(rng.integers(len(VALUES)))])] = at.pop(key)


# ---- cases -----------------------------------------------------------------------------------------------------------


def case(number: int, kind: str, turn: int, base: Base, folder: Path) -> list[list]:
    """Lay a case out in `folder`/in and return the words of each verb that is let at it; they write to `folder`/out."""
    rng = np.random.default_rng([SEED, number])
    inside, out = folder / "in", folder / "out"
    inside.mkdir(parents=True)
    out.mkdir()
    (inside / "good.wav").write_bytes(base.good)
    sheets = ["--out", out / "sheets", "-q"]
    if kind == "twelve hours of silence":
        silence(inside / "bad.wav", 12.0)
        verbs = [["measure", inside, "--csv", out / "m.csv", "-q"], ["plan", inside, *sheets],
                 ["null", inside / "good.wav", inside / "bad.wav"], ["probe", "read", inside / "bad.wav"]]  # fmt: skip
        return [verbs[turn % 4]]
    if kind.startswith("session"):
        (inside / "other.wav").write_bytes(base.good)
        whole = climbing(base.session, rng) if kind.endswith("climb") else base.session
        data = dumped(whole).encode("utf-8", "surrogatepass") if kind.endswith("climb") else text(kind, whole, rng)
        (inside / "song.json").write_bytes(data)
        stage = ["stage", inside, out / "stems", "--session", inside / "song.json", "--through", "bus", "-q"]
        planned = ["plan", inside, "--session", inside / "song.json", *sheets]
        return [stage if kind.endswith("climb") or turn % 3 == 0 else planned]
    if kind.startswith("chains"):
        (inside / "other.wav").write_bytes(base.good)
        (inside / "chains.json").write_bytes(text(kind, base.chains, rng))
        return [["plan", inside, "--chains", inside / "chains.json", *sheets]]
    if kind.startswith("records"):
        (out / "kept").mkdir()
        spoilt = text(kind, base.record, rng)
        for path in (inside / FILE_NAME, out / "kept" / FILE_NAME):
            path.write_bytes(spoilt)
        marked = ["gradebook", inside, "--csv", out / "g.csv", "--html", out / "g.html", "--processes", "1", "-q"]
        return [marked, ["record", out / "kept"]]
    if kind == "no room on the disk":
        (folder / "class").mkdir()
        (folder / "class" / "a.jsonl").write_text(dumped(base.record), encoding="utf-8")
        verbs = [
            ["measure", inside, "--csv", out / "m.csv", "-q"], ["plan", inside, *sheets],
            ["stage", inside, out / "stems", "-q"], ["probe", "write", out / "p.wav"],
            ["null", inside / "good.wav", inside / "good.wav", "--csv", out / "n.csv"],
            ["gradebook", folder / "class", "--csv", out / "g.csv", "--html", out / "g.html", "-q"],
            ["record", out / "kept"],
        ]  # fmt: skip
        return [verbs[turn % len(verbs)]]
    suffix, data = sound(kind, base, rng)
    if suffix == ".wav" and turn % 40 == 4:
        data = spoil_probe(kind, base.probe, rng)
    bad = inside / f"bad{suffix}"
    bad.write_bytes(data)
    more = [["plan", inside, *sheets], ["stage", inside, out / "stems", "-q"], ["null", inside / "good.wav", bad],
            ["null", bad, inside / "good.wav"], ["probe", "read", bad, "--csv", out / "p.csv"]]  # fmt: skip
    return [["measure", bad, "--csv", out / "m.csv", "-q"], more[turn % 5]]


def spoil_probe(kind, probe, rng) -> bytes:
    """Return a recorded test file that is spoilt the same way."""
    data = bytearray(probe)
    if kind == "truncated":
        del data[int(rng.integers(0, len(data))) :]
    else:
        for place in rng.integers(44, len(data), 20):
            data[place] ^= 1 << int(rng.integers(8))
    return bytes(data)


def climbing(whole, rng) -> dict:
    """Return a session whose names lead out of the folder."""
    whole = json.loads(json.dumps(whole))

    def name():
        return CLIMBING[int(rng.integers(len(CLIMBING)))]

    strip = whole["strips"][int(rng.integers(2))]
    match int(rng.integers(4)):
        case 0:
            strip["name"] = name()
        case 1:
            strip["audio"]["file"] = name()
        case 2:
            strip["name"], whole["name"] = name(), name()
        case _:
            whole["groups"][0]["name"] = whole["strips"][0]["sends"][0]["to"] = name()
    return whole


# ---- rules -----------------------------------------------------------------------------------------------------------


def attempt(words: list, folder: Path, *, limit_s: float = LIMIT_S, room: int | None = None) -> tuple[str, int, float]:
    """Let a verb at a case; return the first rule it broke (or nothing), its exit code and its seconds."""
    before = fingerprint(folder.parent)
    code, out, err, took_s, broken = run([str(word) for word in words], limit_s, room)
    if broken:
        return broken, code, took_s
    if code not in (0, 1, 2):
        return f"exit code {code}", code, took_s
    if "Traceback" in out + err:
        return f"a traceback in what is said: {err[-300:]}", code, took_s
    if code and not err.strip():
        return "failed without a word", code, took_s
    after = fingerprint(folder.parent)
    own = [path for path in after if path.is_relative_to(folder / "out")]
    if any(
        after.get(path) != before.get(path) for path in {*before, *after} if not path.is_relative_to(folder / "out")
    ):
        return "something was altered, or written where nothing was asked for", code, took_s
    return half_written(own, words, code), code, took_s


def read_record(folder: Path) -> int:
    """Read a record as a lab does and go on writing it: what was there stays, whatever it is."""
    record = Record(folder)
    before = record.path.read_bytes() if record.path.exists() else b""
    try:
        print(len(record.events().events), record.cut_off)
        record.start("ada", "01")
    except GainlibError as error:
        print(error, file=sys.stderr)
        return 1
    assert record.path.read_bytes().startswith(before)
    assert "ada" in {event["learner"] for event in record.events().events}
    return 0


def half_written(own, words, code) -> str:
    """Say what was left half-written, by what was asked for."""
    hidden = [path.name for path in own if path.name.startswith(".") or path.name.endswith(".part")]
    if hidden:
        return f"left behind: {hidden}"
    names = {path.name for path in own if path.parent.name == "stems"}
    for path in own:
        if path.suffix == ".csv":
            lines = list(csv.reader(io.StringIO(path.read_text(encoding="utf-8"))))
            if len({len(line) for line in lines}) != 1:
                return f"{path.name} is no whole table"
    if words[0] == "stage" and names and ("SHA256SUMS" not in names or code):
        return f"stems half-written: {sorted(names)}"
    for path in own:
        if path.name == "SHA256SUMS":
            for line in path.read_text(encoding="utf-8").splitlines():
                digest, _, name = line.partition("  ")
                if hashlib.sha256((path.parent / name).read_bytes()).hexdigest() != digest:
                    return f"{name} differs from its checksum"
    return ""


def fingerprint(folder: Path) -> dict[Path, tuple]:
    """Return what lies in a folder: size, time of change and, of what is not huge, the checksum."""
    found = {}
    for path in folder.rglob("*"):
        state = path.lstat()
        small = path.is_file() and state.st_size < 10_000_000
        found[path] = (
            (state.st_size, state.st_mtime_ns, hashlib.md5(path.read_bytes()).digest() if small else b"")
            if path.is_file() else ()
        )  # fmt: skip
    return found


def run(words: list[str], limit_s: float = LIMIT_S, room: int | None = None) -> tuple[int, str, str, float, str]:
    """Run a verb in this process; return its exit code, what it said, its seconds, and what it broke."""

    import resource  # Windows has no such limits

    def late(number, _):
        clock = f"{limit_s:g} s of the processor" if number == signal.SIGPROF else f"{10 * limit_s:g} s by the clock"
        raise Hang(f"longer than {clock}")

    out, err, broken, code = io.StringIO(), io.StringIO(), "", -1
    former = {each: signal.signal(each, late) for each in (signal.SIGPROF, signal.SIGALRM)}
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    started = time.process_time()
    try:
        signal.setitimer(signal.ITIMER_PROF, limit_s)  # of the processor, whatever else runs on the machine
        signal.setitimer(signal.ITIMER_REAL, 10 * limit_s)
        if room is not None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (room, hard))
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            code = read_record(Path(words[1])) if words[0] == "record" else command_line.main(words)
    except SystemExit as end:
        code = end.code
    except Hang as end:
        broken = str(end)
    except BaseException:
        broken = traceback.format_exc()
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.setitimer(signal.ITIMER_REAL, 0)
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        for each, handler in former.items():
            signal.signal(each, handler)
    return code, out.getvalue(), err.getvalue(), time.process_time() - started, broken
