"""The demo family: an invented engine, its book, and a simulator that makes its fleet. Nothing in it is real."""
