"""What goes back into the session: sheets, stems, responses, controllers and a preset."""
