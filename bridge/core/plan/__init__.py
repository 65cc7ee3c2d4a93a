"""The compiled profile: plain values that say what is to be done."""
