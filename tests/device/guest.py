# SPDX-License-Identifier: Apache-2.0
"""Run a command inside a small Linux guest that has USB and V4L2.

QEMU emulates the machine in software with Debian's own kernel. The guest sees this machine's file
system read-only over 9p with a memory overlay on top, so the project, its environment and the
kernel's modules are all there, and nothing the guest writes outlives it except in the shared
folder, /out in the guest.

`python -m tests.device.guest COMMAND` runs a shell command there.
"""

import gzip
import io
import os
import re
import shlex
import shutil
import stat
import subprocess
import sys
import tempfile
import threading
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
BOOT_MODULES = ('virtio_pci', '9pnet_virtio', '9p', 'overlay', 'virtio_rng')
NEEDED = {'qemu-system-x86_64': 'qemu-system-x86', 'busybox': 'busybox-static', 'modprobe': 'kmod',
          '/lib/systemd/systemd-udevd': 'udev'}

INIT = '''#!/bin/busybox sh
b=/bin/busybox
$b mkdir -p /proc /sys /dev /host /memory /system
$b mount -t proc proc /proc
$b mount -t sysfs sysfs /sys
$b mount -t devtmpfs dev /dev
for module in $($b cat /modules/order); do $b insmod /modules/$module; done
nine=trans=virtio,version=9p2000.L,msize=1048576
$b mount -t 9p -o ro,cache=loose,$nine host /host
$b mount -t tmpfs tmpfs /memory
$b mkdir -p /memory/upper /memory/work
$b mount -t overlay -o lowerdir=/host,upperdir=/memory/upper,workdir=/memory/work overlay /system
$b mkdir -p /system/out
for folder in proc sys dev; do $b mount --move /$folder /system/$folder; done
$b mount -t 9p -o $nine out /system/out
$b mkdir -p /system/dev/shm /system/dev/pts
$b mount -t tmpfs tmpfs /system/dev/shm
$b mount -t devpts devpts /system/dev/pts
$b ip link set lo up
$b ip route add default dev lo
exec $b chroot /system /bin/sh /out/command
'''

COMMAND = '''export PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin HOME=/var/tmp
cd {root}
( {command} ) 2>&1
echo $? > /out/status
sync
echo o > /proc/sysrq-trigger
while :; do :; done
'''


def why_not(also=None):
    """Reason why no guest can be started here, or ''.

    Parameters
    ----------
    also : dict of str to str, optional
        Other programs that are needed on this machine, with their Debian packages.
    """
    if os.uname().machine != 'x86_64':
        return f'the guest runs on x86_64, this is {os.uname().machine}'
    missing = [package for name, package in {**NEEDED, **(also or {})}.items()
               if not program(name)]
    if _kernel() is None:
        missing.append('linux-image-amd64')
    return f'not installed (Debian packages): {" ".join(missing)}' if missing else ''


def program(name):
    """Path of an installed program, also of those for the administrator, or None."""
    return shutil.which(name, path=os.environ.get('PATH', '') + ':/usr/sbin:/sbin:/bin')


def _kernel():
    """(image, version) of the newest kernel whose modules are installed, or None."""
    images = sorted(Path('/boot').glob('vmlinuz-*'),
                    key=lambda path: [int(n) for n in re.findall(r'\d+', path.name)])
    for image in reversed(images):
        version = image.name.split('-', 1)[1]
        if (Path('/lib/modules') / version / 'modules.dep').exists():
            return image, version
    return None


def _cpio(files):
    """Archive in the 'newc' format that the kernel unpacks (initramfs buffer format)."""
    out = io.BytesIO()

    def add(name, mode, data):
        fields = [0, mode, 0, 0, 1, 0, len(data), 0, 0, 0, 0, len(name) + 1, 0]
        out.write(b'070701' + b''.join(b'%08X' % field for field in fields))
        out.write(name.encode() + b'\0')
        out.write(b'\0' * (-out.tell() % 4) + data)
        out.write(b'\0' * (-out.tell() % 4))

    for folder in sorted({str(parent) for name in files for parent in Path(name).parents} - {'.'}):
        add(folder, stat.S_IFDIR | 0o755, b'')
    for name, data in files.items():
        add(name, stat.S_IFREG | 0o755, data)
    add('TRAILER!!!', 0, b'')
    return out.getvalue()


def _initramfs(version):
    modules = {}
    for module in BOOT_MODULES:
        shown = subprocess.run([program('modprobe'), '-S', version, '--show-depends', module],
                               capture_output=True, text=True, check=True).stdout
        modules.update((Path(line.split()[1]).name, line.split()[1])
                       for line in shown.splitlines() if line.startswith('insmod'))
    files = {'bin/busybox': Path(program('busybox')).read_bytes(), 'init': INIT.encode(),
             'modules/order': '\n'.join(modules).encode()}
    files.update((f'modules/{name}', Path(path).read_bytes()) for name, path in modules.items())
    return gzip.compress(_cpio(files), 1)


def run_in_guest(command, share, timeout, *, echo=False, redirected=(), disk=None,
                 until=lambda line: False):
    """Boot the guest, run the command in the project's folder, power off.

    Parameters
    ----------
    command : str
        For /bin/sh.
    share : Path
        Folder that the guest sees as /out.
    timeout : float
        s; the guest is then killed.
    echo : bool
        Also print its output as it comes.
    redirected : sequence of Path
        Sockets of USB devices (`emulated/redirection.py`) to plug into an EHCI host controller.
    disk : Path, optional
        Socket of a disk (`emulated/volatile_disk.py`), /dev/vda in the guest.
    until : callable
        Told every line of output; the guest is killed once it returns True.

    Returns
    -------
    (int or None, str)
        Exit status of the command, None if the guest did not get that far, and its output.
    """
    image, version = _kernel()
    share = Path(share)
    (share / 'command').write_text(COMMAND.format(command=command, root=shlex.quote(str(ROOT))))
    (share / 'initramfs').write_bytes(_initramfs(version))
    qemu = [program('qemu-system-x86_64'), '-nodefaults', '-no-reboot', '-display', 'none',
            '-machine', 'q35', '-accel', 'tcg,thread=multi', '-cpu', 'Nehalem', '-smp', '2',
            '-m', '3G', '-kernel', str(image), '-initrd', str(share / 'initramfs'),
            '-append', 'console=ttyS0 quiet loglevel=1 panic=-1 mitigations=off '
                       'random.trust_cpu=on tsc=reliable',
            '-serial', 'stdio', '-device', 'virtio-rng-pci',
            '-fsdev', 'local,id=host,path=/,security_model=none,readonly=on,multidevs=remap',
            '-device', 'virtio-9p-pci,fsdev=host,mount_tag=host',
            '-fsdev', f'local,id=out,path={share},security_model=none',
            '-device', 'virtio-9p-pci,fsdev=out,mount_tag=out', '-device', 'usb-ehci,id=ehci']
    for number, path in enumerate(redirected):
        qemu += ['-chardev', f'socket,id=usb{number},path={path}',
                 '-device', f'usb-redir,chardev=usb{number},bus=ehci.0']
    if disk is not None:
        qemu += ['-drive', f'if=virtio,format=raw,cache=none,file.driver=nbd,'
                           f'file.server.type=unix,file.server.path={disk}']
    lines = []
    with subprocess.Popen(qemu, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
                          stderr=subprocess.STDOUT, text=True, errors='replace') as process:
        killer = threading.Timer(timeout, process.kill)
        killer.start()
        for line in process.stdout:
            lines.append(line.replace('\r', ''))
            if echo:
                print(lines[-1], end='', flush=True)
            if until(lines[-1]):
                process.kill()
        killer.cancel()
    status = share / 'status'
    return int(status.read_text()) if status.exists() else None, ''.join(lines)


if __name__ == '__main__':
    if why_not():
        sys.exit(why_not())
    with tempfile.TemporaryDirectory() as folder:
        sys.exit(run_in_guest(' '.join(sys.argv[1:]), folder, 600, echo=True)[0])
