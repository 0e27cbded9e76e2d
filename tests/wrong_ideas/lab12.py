"""Lab 12: wrong methods."""

from gainlib.exercises.capstone import assignment, reference


def sum_rule_alone(given):
    """Every fader to unity, made up for at the output trim; nothing is fed or matched."""
    placed = assignment.as_found(given)
    for fields in placed.values():
        fields["post_trim_db"] += fields["fader_db"]
        if "send cue level_db" in fields:
            fields["send cue level_db"] -= fields["fader_db"]
        fields["fader_db"] = 0.0
    return placed


def hotter(given):
    """Every trim of a strip with boxes up by 3 dB."""
    placed = reference.controls(given)
    for stem in assignment.SOUNDING:
        placed[stem]["trim_db"] = round(min(placed[stem]["trim_db"] + 3.0, 24.0), 2)
    return placed


def clipped_is_clipped(given):
    """Every retake that clipped, in the converter."""
    kinds = assignment.retake_kinds(given)
    return {name: "converter" if kind == "preamp" else kind for name, kind in kinds.items()}


WRONG = {
    "12-1": {"nothing is wrong": lambda g: [{stem: ["none"] for stem in assignment.STEMS},
                                            dict.fromkeys(assignment.RETAKES, "good")],
             "clipped is clipped": lambda g: [assignment.faults(g), clipped_is_clipped(g)]},
    "12-2": {"all linear": lambda g: dict.fromkeys(assignment.kinds(g), "linear"),
             "all nonlinear": lambda g: dict.fromkeys(assignment.kinds(g), "nonlinear")},
    "12-3": {"hotter is better": hotter, "drive without matching": reference.unmatched},
    "12-4": {"sum rule alone": sum_rule_alone, "drums at the strips": reference.drums_at_the_strips},
}  # fmt: skip
