"""What a technician should know about a site that is not wrong: pure, for ``lampstep check``.

A doubt never changes an exit status. It says where, what, and what to do: :mod:`.pad` for what hangs there
(:mod:`.supply` for what feeds it), :mod:`.upkeep` and :mod:`.standing` for what the daemon would do with it.
"""

from sequencer.doubts.doubt import Doubt
from sequencer.doubts.pad import pad_doubts as doubts
from sequencer.doubts.standing import standing_doubts
from sequencer.doubts.upkeep import FullTrain, Upkeep, upkeep

__all__ = ["Doubt", "FullTrain", "Upkeep", "doubts", "standing_doubts", "upkeep"]
