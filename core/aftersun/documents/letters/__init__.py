"""Letters: composed from a stored run, numbered, issued, and compared with earlier versions."""
