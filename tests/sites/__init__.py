"""Random valid sites: profiles and message definitions, drawn from a seed."""
