"""Money: the company's prices, tariffs, cash flows and their measures. Pure functions of arrays."""
