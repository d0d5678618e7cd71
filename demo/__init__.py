"""A dense cue of invented music, synthesised from a score in code: something to try the tool on."""
