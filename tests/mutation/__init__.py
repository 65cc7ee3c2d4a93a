"""Mutation testing: small defects are planted in the core one by one, and the tests must notice each."""
