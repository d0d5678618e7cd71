"""What is handed back: run folder, renders, sheets, pages, exports."""
