"""The job beside the needle: what is asked, what is watched, what is done and to come."""
