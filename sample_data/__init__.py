"""Sample data: the exports of an invented owner that the demo takes in."""
