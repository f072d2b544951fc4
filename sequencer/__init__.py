"""lampstep: every underwater lamp on one supply onto one scene, by switching that supply off and on.

The path of one scene runs down this package's layers and back up to the relay:
:mod:`~sequencer.sitefile` and :mod:`~sequencer.datasheet` read what hangs on the pad,
:mod:`~sequencer.automaton` says what one lamp does, :mod:`~sequencer.planner` finds the train and
proves it, :mod:`~sequencer.player` plays it through a :mod:`~sequencer.relay`.
"""

__version__ = "0.1.0"
