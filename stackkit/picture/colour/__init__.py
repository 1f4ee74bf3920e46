"""From the camera's colours to light of a standard space: DNG 1.7.1, chapter 6."""
