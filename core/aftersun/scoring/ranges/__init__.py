"""How sure a result is, what moves it most, where it turns, and what an answer is worth."""
