"""What was played once, kept on disk: `vault` has the files, `identity` what they are found by."""
