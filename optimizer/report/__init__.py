"""What people read: tables first, then terminal, Markdown and JSON; nothing here computes an answer."""
