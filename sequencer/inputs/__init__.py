"""What the board senses and shows: drivers behind two small protocols.

:func:`open_inputs` and :func:`open_indicator` import the one driver that is named; nothing else here touches
hardware. What the levels mean is :mod:`sequencer.core.reading`'s to say.
"""

from sequencer.inputs.indicator import Indicator, Pattern
from sequencer.inputs.protocol import InputLine
from sequencer.inputs.registry import open_indicator, open_inputs

__all__ = ["Indicator", "InputLine", "Pattern", "open_indicator", "open_inputs"]
