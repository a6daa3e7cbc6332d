"""The records everything speaks in. No input or output, no physics, no money."""
