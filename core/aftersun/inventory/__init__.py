"""The inventory: one DuckDB file with customers, sites, arrays, tariffs, weather years and stored runs."""
