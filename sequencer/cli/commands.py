"""The commands as a person reads of them: what each is for, how it is typed, what it needs."""

from __future__ import annotations

COMMANDS = {
    "check": "what hangs on a pad, and what is doubtful about it",
    "plan": "find the train for a scene, with its proof; nothing is sent",
    "play": "find the train for a scene and send it through the site's relay",
    "rehearse": "play the train for a scene on many simulated pads",
    "serve": "keep a pad's lamps matched until told to stop: the daemon",
    "status": "what each circuit shows, what is known of its lamps, and why; of a running daemon",
    "tell": "tell the daemon what a lamp shows: you have seen it",
    "replaced": "tell the daemon that another lamp hangs in this one's place",
    "resync": "have the daemon send a full train",
    "steady": "plain light and no trains, whatever the calendar says, until resume",
    "resume": "what was chosen, asked for or made steady counts no more: the calendar speaks again",
    "touch": "move a simulated input of a running daemon",
    "supply": "volts at every lamp, and which tap and cable would do",
    "diagnose": "what explains what the lamps show after a train, and what to do next",
    "sense": "hold a reading of the circuit's current against the scene that the lamps are held to be on",
    "calendar": "what the calendar will do on the days ahead, and why",
    "journal": "what happened at the pad, and how worn its relays are; also while the daemon runs",
    "bench": "one lamp on a table: accept, measure, discover, white; before it goes under water",
    "judge": "hold a logic analyser's capture of the real contact against a plan",
    "demo": "watch the Quarry Lane lido at dusk; needs no hardware and no files",
}
BENCH = {
    "accept": "does this lamp do what its datasheet says? every scene, every edge, its memory, tour after tour",
    "measure": "where the edges of its windows lie, and the datasheet that follows",
    "discover": "a datasheet for a lamp that came without one",
    "white": "calibrate the rig's eyes on a white light",
}
"""Second words of ``lampstep bench``."""
_SCENE = "SITE [--circuit CIRCUIT] --scene SCENE [--from LAMP=SCENE ...] [--from-dark | --after-cut]"
USAGE = {
    "check": "SITE [--json]",
    "plan": f"{_SCENE} [--json]",
    "play": f"{_SCENE} [--yes] [--vcd FILE] [--json]",
    "rehearse": f"{_SCENE} [--trials N] [--seed K] [--json]",
    "serve": "SITE [--yes] [--json]",
    "status": "SITE [--circuit C] [--json]",
    "tell": "SITE LAMP=SCENE ... [--circuit C] [--json]",
    "replaced": "SITE LAMP [--circuit C] [--json]",
    "resync": "SITE [--circuit C] [--json]",
    "steady": "SITE [--circuit C] [--json]",
    "resume": "SITE [--circuit C] [--json]",
    "touch": "SITE INPUT=on|off ... [--circuit C] [--json]",
    "supply": (
        "SITE [--circuit C] [--tap V] [--conductor RUN=SIZE ...] [--add-lamp NODE=LIKE ...] [--svg FILE] [--json]"
    ),
    "diagnose": (
        "SITE [--circuit C] --sent SCENE --saw LAMP=SCENE ... [--volts LAMP=V ...] [--lamps FOLDER] "
        "[--from LAMP=SCENE ...] [--from-dark | --after-cut] [--json]"
    ),
    "sense": "SITE --scene SCENE [--circuit C] [--amps A] [--json]",
    "calendar": "SITE [--days N] [--on DATE] [--json]",
    "journal": "SITE [--last N] [--circuit C] [--vcd FILE] [--json]",
    "bench": f"{'|'.join(BENCH)} ...",
    "bench accept": "DATASHEET --rig RIG [--tours N] [--seed K] [--resume FILE] [--report FILE] [--yes] [--json]",
    "bench measure": (
        "DATASHEET --rig RIG [--out FILE] [--resume FILE] [--precision P] [--report FILE] [--yes] [--json]"
    ),
    "bench discover": (
        "--rig RIG [--out FILE] [--name NAME] [--budget-cycles N] [--budget-hours H] [--most-scenes N] "
        "[--settled S] [--volts V] [--pretend DATASHEET] [--resume FILE] [--report FILE] [--yes] [--json]"
    ),
    "bench white": "--rig RIG [--json]",
    "judge": "CAPTURE.vcd --plan PLAN.json [--signal NAME] [--command NAME] [--json]",
    "demo": "[--plain] [--seed K] [--speed X] [--json]",
}
SITE = ("site", "SITE", "site file (TOML)")
FILE: dict[str, tuple[str, str, str] | None] = {
    "bench accept": ("datasheet", "DATASHEET", "datasheet (TOML)"),
    "bench measure": ("datasheet", "DATASHEET", "datasheet (TOML), which may be rough"),
    "bench discover": None,
    "bench white": None,
    "judge": ("capture", "CAPTURE", "capture (VCD)"),
    "demo": None,
}
"""What a command's first word names, where that is not a site file: where it is kept, how it is called, what it is."""
NEEDS = {
    **dict.fromkeys(("bench accept", "bench measure", "bench discover", "bench white"), ("rig",)),
    "judge": ("plan",),
}
"""Options without which a command is nothing."""
CAUTION = (
    "Mains and water kill; flashing light can bring on seizures; whoever swims is in danger when it goes "
    "dark. Clear the water before a train is sent. Wiring is for licensed people, under your local code."
)
SENDS_NOTHING = frozenset(
    {
        "check",
        "status",
        "tell",
        "supply",
        "diagnose",
        "sense",
        "calendar",
        "journal",
        "touch",
        "judge",
        "demo",
    }
)
"""Commands whose help needs no :data:`CAUTION`: no train follows from them."""
STATUS = "Exit status: 0 yes, 1 the honest answer is no, 2 bad input, 3 hardware failed, 130 broken off."
