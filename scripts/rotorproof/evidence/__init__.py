"""What lets a report be proved years later: attachments, sign-off, signature, archive and their verification."""
