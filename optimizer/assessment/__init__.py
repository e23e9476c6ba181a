"""What chemistry says of a whole formula: library facts turned into the numbers that `chemistry/` works on."""
