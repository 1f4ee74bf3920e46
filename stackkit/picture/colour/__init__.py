"""From the camera's colours to a standard linear colour space: DNG 1.7.1, chapter 6."""
