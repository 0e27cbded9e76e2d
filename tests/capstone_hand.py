"""The capstone done by hand, as somebody with a mixer and meters would, and not as the plan does.

Only what a session renders is looked at, with the plain meters: one strip after the other from the left, then the
groups, then one move for all. The effect is left alone and goes along with its tracks, where the plan moves the
return; faders go to 0 dB, and the rest goes on the output trim.
"""

from gainlib.audio import Audio
from gainlib.demo.session import CUED, DRUMS
from gainlib.exercises.capstone import assignment
from gainlib.exercises.practical import applied
from gainlib.meters import active_level, rms_dbfs, sample_peak_dbfs, true_peak_dbtp
from gainlib.session import Session

AIM_DBTP = -6.25
PEAK_DBFS = -3.0
MOST_DB = 24.0


def solved(given):
    """Return controls that solve tasks 3 to 5.

    Parameters
    ----------
    given : dict
        The variant.
    """
    found = assignment.session(given)
    placed = assignment.as_found(given)
    was = {node: rms_dbfs(audio) for node, audio in found.render().audios(_nodes(found)).items()}
    for name in assignment.SOUNDING:
        placed[name] |= _strip(found, name, placed[name], was)
    _groups(found, placed, was)
    move = AIM_DBTP - true_peak_dbtp(applied(found, placed).render().bus)
    for name in (*(stem for stem in assignment.SOUNDING if stem not in DRUMS), "drums"):
        placed[name]["post_trim_db"] = round(placed[name]["post_trim_db"] + move, 2)
    for name in CUED:
        placed[name]["send cue level_db"] = round(placed[name]["send cue level_db"] - move, 2)
    for name in assignment.SOUNDING:
        post = min(max(placed[name]["post_trim_db"], -MOST_DB), MOST_DB)  # the rest goes on the fader, within 3 dB
        rest = round(placed[name]["post_trim_db"] - post, 2)
        placed[name] |= {"post_trim_db": post, "fader_db": rest}
        if name in CUED:
            placed[name]["send cue level_db"] = round(placed[name]["send cue level_db"] + rest, 2)
    return placed


def _nodes(found):
    nodes = [f"{name}/out" for name in assignment.SOUNDING]
    return (*nodes, *(f"{name}/post" for name in CUED), "drums/trim", "drums/out")


def _strip(found, name, fields, was):
    """Feed and match every box that cares, then bring the strip back to the level it had at its sum."""
    fields, first = dict(fields), True
    for number, insert in enumerate(found.strip(name).inserts, start=1):
        if insert.processor.linear:
            continue
        (into,) = _alone(found, name, fields, f"insert {number}/in")
        level, _ = active_level(_clear(into))
        move = min(insert.processor.reference_dbfs - level, PEAK_DBFS - sample_peak_dbfs(_clear(into)))
        control = "trim_db" if first else f"insert {number} in_db"
        fields[control] = round(fields[control] + move, 2)
        first = False
        ahead = "trim" if number == 1 else f"insert {number - 1}/out"
        bypass, active = map(rms_dbfs, _alone(found, name, fields, ahead, f"insert {number}/out"))
        fields[f"insert {number} out_db"] = round(fields[f"insert {number} out_db"] + bypass - active, 2)
    fields |= {"fader_db": 0.0, "post_trim_db": 0.0}
    (out,) = _alone(found, name, fields, "out", to=("bus",))
    fields["post_trim_db"] = round(was[f"{name}/out"] - rms_dbfs(out), 2)
    if name in CUED:
        (post,) = _alone(found, name, fields, "post")
        lost = was[f"{name}/post"] - rms_dbfs(post)
        fields["send cue level_db"] = round(fields["send cue level_db"] + lost, 2)
    return fields


def _groups(found, placed, was):
    for control, node in (("trim_db", "drums/trim"), ("post_trim_db", "drums/out")):
        now = rms_dbfs(applied(found, placed).render().audio(node))
        placed["drums"][control] = round(placed["drums"][control] + was[node] - now, 2)


def _alone(found, name, fields, *nodes, to=()):
    """Return what a strip has at some nodes, rendered by itself."""
    strip = applied(found, {name: fields}).strip(name).with_(sends=(), to=to)
    return Session((strip,)).render().audios(f"{name}/{node}" for node in nodes).values()


def _clear(audio):
    """Return audio without its mean, as levels are read."""
    return Audio(audio.samples - audio.samples.mean(axis=0), audio.rate_hz)
