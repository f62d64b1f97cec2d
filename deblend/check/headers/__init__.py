"""What headers and tables say of a line before any sample is read; every command begins with it."""
