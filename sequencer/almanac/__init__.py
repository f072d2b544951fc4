"""Which scene is due when, from dates and the sun; pure: ``now`` is an argument."""
