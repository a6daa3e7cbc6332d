"""The page that an office works in together: a server on the company's own machine. It computes nothing."""
