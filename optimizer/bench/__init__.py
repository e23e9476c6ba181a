"""From a formula to bottles: batch file, weighing, adjusting, as made, label, cost; strangers to one another."""
