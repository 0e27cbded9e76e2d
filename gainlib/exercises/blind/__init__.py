"""What the blind tests of several labs play and print: short sounds of one loudness, and what tells them apart."""
