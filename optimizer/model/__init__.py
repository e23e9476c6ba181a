"""The brief as arrays in which every row and column knows its owner."""
