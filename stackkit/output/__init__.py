"""From the picture and the record to files, one module a format."""
