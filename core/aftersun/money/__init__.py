"""Money: the company's prices, tariffs, cash flows and measures of worth. Pure functions of arrays."""
