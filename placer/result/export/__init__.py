"""What goes back into the session: sheets, stems, responses, controllers and a preset."""

from placer.result.export.package import Source, export

__all__ = ["Source", "export"]
