"""What one cue needs to be searched, put together from the floors below."""
