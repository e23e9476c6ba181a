"""From a formula to bottles: batch file, weighing, adjusting, as made, cost; nothing here solves."""
