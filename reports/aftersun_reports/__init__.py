"""Outputs made from a stored run. They use ``aftersun.api`` and nothing else of aftersun."""
