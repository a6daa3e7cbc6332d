"""Weather years: reading, checking, the sun's position, and which station serves which roof."""
