"""The screens, each in a file of its own that knows of no other; see `optimizer.desk`."""
