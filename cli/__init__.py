"""The command line: options in, words out; no computation."""
