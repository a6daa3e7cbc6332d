"""Runs: who computes the chunks, what is stored, what-if, one site in detail, the demo."""
