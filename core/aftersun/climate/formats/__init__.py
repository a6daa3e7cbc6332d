"""Weather file formats: how each is recognised and how its columns, units and hours become ours."""
