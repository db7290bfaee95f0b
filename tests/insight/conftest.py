import sys
from pathlib import Path

# The small invented workspaces are the costing tests'.
sys.path.insert(0, str(Path(__file__).parent.parent / "costing"))
