"""How does the season go on from here? Forecasts and choices from numbers alone: no database, no clock."""
