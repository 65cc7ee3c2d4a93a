"""Cases without end, drawn from a seed: files that a reload or a restart may find."""
