"""What exercises on mixes are made of: the refrain of the demo song."""
