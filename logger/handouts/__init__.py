"""What leaves the house besides the record: calendar, labels, notices, workbook, papers for managers."""
