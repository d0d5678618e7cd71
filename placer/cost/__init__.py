"""What a listener would hear: one file a term, and the objective."""
