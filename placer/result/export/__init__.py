"""What goes back into the session: sheets, stems, responses, controllers and a preset."""

from placer.result.export.package import ExportSource, export

__all__ = ["ExportSource", "export"]
