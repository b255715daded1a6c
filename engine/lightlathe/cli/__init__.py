"""The program `lightlathe`: its commands, their options, and progress; the only folder that prints."""
