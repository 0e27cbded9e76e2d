"""Black boxes to be tried out: which there are, what each does when fed, and what an exercise reads from it."""
