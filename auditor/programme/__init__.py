"""The programme: decoding files into samples, and the loudness of what is in them."""
