"""The loops that propose placements; knows neither room nor audio."""
