"""Whether forecasts held."""
