"""The pages: each parses, calls one service or query, and renders."""
