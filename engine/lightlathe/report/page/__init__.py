"""One self-contained HTML page of a result, or of several side by side: text and tables are written here, pictures are
drawn in the browser from the record's own numbers by `assets/` and the bundled Plotly.js."""
