"""What one chunk of sites yields: each retrofit alone, sets of several, both ledgers, the rank within the site."""
