"""Sources of samples: capture files, sound cards, scopes and the virtual drive."""
