"""Pages to look at: self-contained, from the record and pictures alone."""
