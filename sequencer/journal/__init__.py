"""The durable record of what was meant, what was sent and what was sensed."""
