"""What explains what was seen: causes with their probabilities, and what would tell the first two apart.

Read in this order: :mod:`.priors` (all that is assumed), :mod:`.reader` (what one lamp makes of a train),
:mod:`.causes` (what may be wrong), :mod:`.explain` (how likely that is), :mod:`.acts` (what to do next);
:mod:`.current` is apart: what a reading of the circuit's current says of its lamps.
"""
