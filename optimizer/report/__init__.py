"""What people read: answers as documents, one file per subject, and as JSON; nothing here computes an answer."""
