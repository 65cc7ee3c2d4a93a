"""One file a concern; each limit is the tightest of named contributions."""
