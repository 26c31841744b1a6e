"""What a day and the installation take on disk, and freeing what nothing needs any more."""
