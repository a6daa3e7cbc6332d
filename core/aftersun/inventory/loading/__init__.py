"""From a table somebody has to checked rows, and rejects for what cannot be right."""
