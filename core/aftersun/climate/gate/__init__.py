"""The quality gate for weather files."""
