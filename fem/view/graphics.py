"""Whether 3-D can be drawn here: a display for a window, a driver for pictures without one.

Asked before the first window is made, because the 3-D library does not fail without them, it crashes.
"""

from __future__ import annotations

import ctypes
import os
import sys
from typing import Any

from fem.core.errors import MissingLibrary


def need_graphics() -> None:
    """Make VTK ready to draw off screen; raise MissingLibrary, saying what to install, if it cannot here.

    To be called before the first window is made: only then does VTK read its choice of window, and without a
    driver it does not fail, it crashes.
    """
    if not sys.platform.startswith("linux") or display_answers():
        return
    # left to itself VTK tries X11 first, which is loud and slow without a display
    os.environ.setdefault("VTK_DEFAULT_OPENGL_WINDOW", "vtkEGLRenderWindow")
    try:
        egl = ctypes.CDLL("libEGL.so.1")
    except OSError as error:
        raise MissingLibrary(
            f"3-D pictures need EGL, which is not installed ({error}); {_INSTALL}"
        ) from error
    if not _starts(egl):
        raise MissingLibrary(f"3-D pictures need a graphics driver for EGL and none starts; {_INSTALL}")


def display_answers() -> bool:
    """Whether an X server can be reached."""
    if not os.environ.get("DISPLAY"):
        return False
    try:
        x11 = ctypes.CDLL("libX11.so.6")
    except OSError:
        return False
    x11.XOpenDisplay.restype = ctypes.c_void_p
    display = x11.XOpenDisplay(None)
    return bool(display) and x11.XCloseDisplay(ctypes.c_void_p(display)) == 0


def _starts(egl: Any) -> bool:
    """Whether any display of EGL can be initialised: the standard one or one of the devices."""
    os.environ.setdefault("EGL_LOG_LEVEL", "fatal")  # what fails here is said once, by us
    number, handle = ctypes.c_int(0), ctypes.c_void_p
    egl.eglGetDisplay.restype = egl.eglGetProcAddress.restype = handle
    displays = [egl.eglGetDisplay(None)]
    query, of_device = (
        egl.eglGetProcAddress(name) for name in (b"eglQueryDevicesEXT", b"eglGetPlatformDisplayEXT")
    )
    if query and of_device:
        devices = (handle * 16)()
        ctypes.CFUNCTYPE(ctypes.c_uint, ctypes.c_int, handle, handle)(query)(
            16, devices, ctypes.byref(number)
        )
        display = ctypes.CFUNCTYPE(handle, ctypes.c_uint, handle, handle)(of_device)
        displays += [display(_EGL_PLATFORM_DEVICE, device, None) for device in devices[: number.value]]
    return any(egl.eglInitialize(handle(display), None, None) for display in displays if display)


_EGL_PLATFORM_DEVICE = 0x313F
"""EGL_PLATFORM_DEVICE_EXT, Khronos extension EGL_EXT_platform_device."""
_INSTALL = (
    "on Debian or Ubuntu: apt install libegl1 libegl-mesa0 libgl1-mesa-dri (no display or graphics card "
    "needed). Everything but the 3-D pictures works without"
)


def need_display() -> None:
    """Raise MissingLibrary, saying what works without one, if no window can be opened here."""
    if sys.platform.startswith("linux") and not display_answers():
        name = os.environ.get("DISPLAY")
        why = f"the display {name} does not answer" if name else "there is no display (DISPLAY is not set)"
        raise MissingLibrary(f"no window can be opened: {why}; {WITHOUT_DISPLAY}")


WITHOUT_DISPLAY = "without one use --png FILE for a picture, --gif FILE or --mp4 FILE for a film"
