"""What done work delivered against what had been promised, over the whole company, and what that teaches."""
