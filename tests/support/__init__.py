"""What several tests share: the second opinions, drawn and pencilled briefs, published cases, damaged files."""
