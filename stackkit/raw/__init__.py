"""From files to samples."""
