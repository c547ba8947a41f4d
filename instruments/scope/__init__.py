"""A digital scope as a source: links, command families, acquisition."""
