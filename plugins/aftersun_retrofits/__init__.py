"""The built-in retrofits, one file each. They use ``aftersun.api`` and nothing else of aftersun."""
