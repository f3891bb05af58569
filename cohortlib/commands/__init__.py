"""What the commands do, a file each."""
