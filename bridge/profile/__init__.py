"""The profile: schema, loading, compiling into plain frozen values, static checking against the DBC."""
