"""What the board senses and shows: drivers behind one small protocol."""
