"""aftersun: which retrofit is worth it on which roof, what it costs, how sure that is, and what can hurt someone."""
