"""Many plates: found, read by several processes or a cluster, kept whole, and put side by side."""
