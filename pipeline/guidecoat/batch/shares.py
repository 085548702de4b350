"""Whether a folder lies on a network share, where not all that a disk can do works."""

from __future__ import annotations

import os
from pathlib import Path

_NETWORK = (
    *(
        "nfs",
        "cifs",
        "smb",
        "9p",
        "afp",
        "webdav",
        "davfs",
        "ceph",
        "lustre",
        "beegfs",
        "glusterfs",
    ),
    *("virtiofs", "fuse.sshfs", "fuse.rclone", "fuse.glusterfs", "fuse.s3fs"),
)


def is_on_share(path: Path) -> bool:
    """Whether the folder or file stands on a disk of another machine, as far as this one knows."""
    import psutil

    goal = str(path.resolve())
    if goal.startswith("\\\\"):
        return True
    mounts = [
        part
        for part in psutil.disk_partitions(all=True)
        if goal == part.mountpoint or goal.startswith(part.mountpoint.rstrip(os.sep) + os.sep)
    ]
    if not mounts:
        return False
    # The deepest counts, and of two on one place the later, which hides the earlier.
    kind = max(enumerate(mounts), key=lambda entry: (len(entry[1].mountpoint), entry[0]))[1]
    return kind.fstype.lower().startswith(_NETWORK) or "remote" in kind.opts.split(",")
