"""What the stems hold: files, loudness, band envelopes, excerpts."""
