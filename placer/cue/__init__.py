"""What the composer says: records, the TOML reader, the drafting of cue files."""
