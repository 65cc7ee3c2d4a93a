"""What bounds a limit without any law: cut-offs, tapers, ramps, shares, requests."""
