"""All that diagnosis assumes before anything was seen, each figure with its reason.

None of it is measured: these are common practice, no source, and made to be argued with. Odds are against
"nothing is wrong", for one lamp (``LAMP``), one type of lamp (``TYPE``), one run of cable (``RUN``), or the whole
circuit (``CIRCUIT``). What matters is how they compare: a cause twice as likely here is twice as likely in the
answer, where what was seen says as much for either.
"""

from __future__ import annotations

LAMP = {
    "cord": 0.020,  # a joint at the lamp or its cord: wet, crimped, made by hand: what fails most
    "dead": 0.010,  # lamps die, of water that got in, more often than they go deaf
    "stuck": 0.006,  # electronics that no longer listen; they still light, so nobody has complained before
    "ride_through": 0.005,  # another batch with a larger capacitor, or volts far above what it was tried at
    "weak": 0.004,  # a dried-out capacitor: it needs years
    "other_type": 0.012,  # one lamp replaced by whatever was in the van; before any lamp goes deaf
    "clock": 0.002,  # a lamp's own clock far outside its datasheet: seldom
}
TYPE = {
    "other_type": 0.012,  # the datasheet was copied from the wrong sheet: happens once, at commissioning
}
RUN = {
    "run": 0.015,  # thinner or longer than written down, or a bad splice in a buried box
}
CIRCUIT = {
    "tap": 0.015,  # not on the tap that the site file says, shared over the other taps: somebody tried another
    "volts": 0.025,  # where nothing is known of the supply: too few volts for all of them
    "as_built": 1.0,  # the site file's own figures say that a lamp falls short: then it does, as likely as not
    "bounce": 0.010,  # a worn or dirty contact that parts once more
    "start": 0.030,  # somebody was at the switch just before: lamps were counting when the train began
}
UNEXPLAINED = 3e-4
"""Something else altogether, after which a lamp shows anything; when this wins, nothing here explains it."""

MISREAD = 0.002
"""How often a person names the wrong scene, or the right scene of the wrong lamp, and has not looked twice before
asking why."""
METER_V = 0.2
"""One standard deviation of a voltage read at a lamp: meter, leads, and the mains of that minute."""

EXTRA_OHM = tuple(0.07 * 1.2**step for step in range(16))
"""What a bad joint or a thinner conductor adds to a loop, 0.07 to 1.1 ohm, each step as likely: 30 ft of AWG 18
instead of AWG 12 adds 0.3 ohm; less than 0.1 ohm goes unnoticed, and with more than 1 ohm no lamp lights. The steps
are small, since near a collapse of the volts a little more resistance changes everything."""
PARTED_OHM, PARTED = 4.0, 0.125
"""A joint that has all but parted, and how often it is that: the lamp is dark."""
OHM_STEP = 0.05
"""One standard deviation of the drop between these steps, as a part of it: half a step either way."""
SOFTNESS = (0.03, 0.045, 0.075, 0.12)
"""Part of its least volts by which a lamp may fall short before it takes no pulse at all; on the way there it
misses in proportion. Lamps differ: datasheets promise nothing below the least volts."""
DARK_BELOW = 0.7
"""Part of its least volts below which a lamp without ``[hold_up]`` gives no light; with it, dropout decides."""
SHORTFALL = (0.02, 0.04, 0.07, 0.12, 0.2, 0.5)
"""Where nothing is known of the supply: parts of the least volts that may be missing, each as likely."""
NEEDED = 3.0
"""Two causes at once are named only where they explain so many times more than either alone: the second is needed."""

RIDES = (1.5, 3.0, 8.0)
"""How long a lamp with a long ride-through is carried, in starts of its ``pulse`` window."""
HOLDS_S = 0.004
"""How long a dried-out capacitor carries: less than half a period of the mains."""
NEEDS = (0.125, 0.375, 0.625, 0.875)
"""What a lamp wants of the supply that its datasheet makes sure of, each as likely: one lamp, one limit."""
PACES = (0.75, 0.85, 0.92, 1.08, 1.15, 1.25)
"""A clock out of tolerance, as ticks a second; those within the datasheet's tolerance are left out."""
PARTS = ((0.05, 0.06), (0.09, 0.11), (0.12, 0.17))
"""A bad contact touches for so long, then parts for so long, in seconds."""
PARTS_AT = (0.1, 0.4)
"""The chance that it does so, at one closing."""
PENDING = ((1, 0.5), (2, 0.3), (3, 0.2))
"""Pulses that somebody at the switch had sent just before, and how likely so many are."""
HAD_S = (0.3, 1.0, 1.7)
"""Supply since the last of them, seconds: longer, and the count would mostly have been over."""
