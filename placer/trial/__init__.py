"""One trial of the search: landscape, inner search, exact scoring."""
