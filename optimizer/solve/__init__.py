"""From a brief to a proven answer, and the questions that one brief can be asked."""
