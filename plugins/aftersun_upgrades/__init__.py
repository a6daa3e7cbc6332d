"""Upgrades and contracts, one file each. They use ``aftersun.api`` and nothing else of aftersun."""
