"""What any stage may use: words, files, sums in a fixed order, threads, memory, progress."""
