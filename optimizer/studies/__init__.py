"""Questions about a brief beyond its best formula; each study is a room of its own."""
