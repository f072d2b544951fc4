"""Volts at every lamp, and what follows from them: pure.

Read it in the order of the data: :mod:`.conductors` and :mod:`.ampacity` (what a cable is), :mod:`.network`
(values), :mod:`.feed` (a circuit of a site as a network), :mod:`.solve` (its volts), :mod:`.extremes` (the least and
the greatest of each lamp), :mod:`.rectifier` and :mod:`.ride_through` (what volts do to a lamp's windows),
:mod:`.received` (both, for the planner), :mod:`.runs`, :mod:`.findings` and :mod:`.advise` (which tap and cable),
:mod:`.drawing`.
"""
