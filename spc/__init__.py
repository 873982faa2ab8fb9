"""Statistical process control for a lapping cell: pure computing and the store of record."""
