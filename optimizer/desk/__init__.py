"""The desk: pages of one's own on the own machine (`tenside open`), a second way into the same rooms."""
