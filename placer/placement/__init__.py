"""Where a track is heard from: positions, what is measured of them, options, placing."""
