"""Whether limits are followed, held or dropped, and whether anything is sent."""
