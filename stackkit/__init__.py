"""From a folder of short raw exposures of the night sky to one clean, linear picture."""
