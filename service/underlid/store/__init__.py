"""What is kept: readings behind a small protocol, and the ledger of everything else."""
