"""What commands, pages and programs ask alike: one question, one answer with its document, JSON and rows."""
