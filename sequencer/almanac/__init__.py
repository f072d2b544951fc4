"""Which scene is due when, from dates and the sun; pure: ``now`` is an argument.

Read in this order: :mod:`.local` and :mod:`.sun` (from a date to moments), :mod:`.shows` (what a day holds),
:mod:`.due` (which of them holds now, and until when), :mod:`.listing`, :mod:`.quiet`.

Moments are aware datetimes in UTC, for only there do they add and compare rightly; local time is for reading.
"""

from sequencer.almanac.due import LOOK_AHEAD, Due, Stretch, due, next_change, stretches
from sequencer.almanac.listing import Row, listing
from sequencer.almanac.quiet import is_quiet, next_quiet_change
from sequencer.almanac.shows import Calendar, Missed, Show, calendar_of, shows_of

__all__ = [
    "LOOK_AHEAD",
    "Calendar",
    "Due",
    "Missed",
    "Row",
    "Show",
    "Stretch",
    "calendar_of",
    "due",
    "is_quiet",
    "listing",
    "next_change",
    "next_quiet_change",
    "shows_of",
    "stretches",
]
