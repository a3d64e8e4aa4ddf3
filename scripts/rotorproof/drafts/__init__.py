"""Files that a person goes on with: drafts of unit.yaml, of logs and of layouts."""
