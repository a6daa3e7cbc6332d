"""Finding plugins, calling them one at a time, and checking what they return."""
