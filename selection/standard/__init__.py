"""What is wanted: points from looks, weights at a common age."""
