"""From weather and plant to the hourly energy balance of every site. Pure functions of arrays."""
