"""Tables in, checked row by row; tables out; atomic writing."""
