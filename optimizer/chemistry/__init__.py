"""Chemistry as pure functions on numbers: pH and dose, titration log, undissociated acid, mixed micelles.

Nothing here reads a file or knows a library. What is computed is a plan for the bench, never a promise.
"""
