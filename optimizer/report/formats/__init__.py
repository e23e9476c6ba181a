"""A document in the formats in which people get it: terminal, Markdown, page, paper, workbook; none knows a subject."""
