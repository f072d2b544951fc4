"""A pad in virtual time: lamps, contact and faults, built to prove the planner wrong where it is.

:mod:`~sequencer.sim.nature` says what one lamp is like where its datasheet leaves room,
:mod:`~sequencer.sim.lamp` is that lamp, :mod:`~sequencer.sim.relay` the contact, :mod:`~sequencer.sim.feed` what
feeds the lamps, :mod:`~sequencer.sim.rectifier` their capacitors, :mod:`~sequencer.sim.pad` all of it together,
with faults, and :mod:`~sequencer.sim.rehearsal` plays one train on many pads.
"""
