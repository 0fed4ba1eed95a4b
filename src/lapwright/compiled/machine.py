"""The processor at hand, by way of LLVM: translates programs into machine code and loads them."""

from __future__ import annotations

import ctypes
from dataclasses import dataclass
from functools import cache
from typing import Any

from lapwright.compiled import libm


@dataclass(frozen=True)
class Loaded:
    """A program in memory. It is there as long as this object.

    Attributes
    ----------
    run
        The program's entry as a C function.
    keeps
        What holds the memory.
    """

    run: Any
    keeps: Any


@dataclass(frozen=True)
class Machine:
    """LLVM for this processor.

    Attributes
    ----------
    cpu, features
        The processor as LLVM names it.
    width
        Doubles in a vector.
    fused
        Whether products and sums can be rounded once.
    plain
        Whether LLVM's plain way does well with long programs.
    versions
        Versions of llvmlite and LLVM.
    """

    cpu: str
    features: str
    width: int
    fused: bool
    plain: bool
    versions: tuple[str, str]

    def describe(self) -> str:
        """The processor and LLVM in words."""
        return f"machine code (LLVM {self.versions[1]}, {self.cpu})"

    def _target(self, effort: int) -> Any:
        import llvmlite.binding as llvm

        target = llvm.Target.from_default_triple()
        return target.create_target_machine(cpu=self.cpu, features=self.features, opt=effort, jit=True)

    def translate(self, text: str, long: bool) -> bytes:
        """Object code of a module in LLVM's intermediate language.

        Parameters
        ----------
        text
            The module.
        long
            Whether it is so long that the time to translate counts.

        Raises
        ------
        RuntimeError
            What LLVM objects to.
        """
        import llvmlite.binding as llvm

        module = llvm.parse_assembly(text)
        code: bytes = self._target(0 if long and self.plain else 1).emit_object(module)
        return code

    def load(self, code: bytes, name: str, integers: int) -> Loaded:
        """Load object code.

        Parameters
        ----------
        code
            Object code of ``translate``.
        name
            Name of the entry.
        integers
            Number of its 64-bit operands after the address of the table.

        Raises
        ------
        RuntimeError
            If the entry is not in it.
        """
        import llvmlite.binding as llvm

        engine = llvm.create_mcjit_compiler(llvm.parse_assembly(""), self._target(0))
        engine.add_object_file(llvm.ObjectFileRef.from_data(code))
        engine.finalize_object()
        address = engine.get_function_address(name)
        if not address:
            raise RuntimeError(f"no {name} in the object code")
        kind = ctypes.CFUNCTYPE(None, ctypes.c_void_p, *[ctypes.c_int64] * integers)
        return Loaded(kind(address), engine)


@cache
def machine() -> Machine:
    """The processor at hand.

    Raises
    ------
    ImportError
        If llvmlite is missing.
    OSError, RuntimeError, AttributeError
        If LLVM or the C library cannot be used here.
    """
    import llvmlite
    import llvmlite.binding as llvm

    llvm.initialize_native_target()
    llvm.initialize_native_asmprinter()
    for symbol, address in libm.addresses().items():
        llvm.add_symbol(symbol, address)
    has = _features()
    architecture = llvm.get_process_triple().split("-")[0]
    features = ",".join(("+" if there else "-") + name for name, there in sorted(has.items()))
    width = 2
    if has.get("avx512f"):
        width = 8
        features += ",-prefer-256-bit"
    elif has.get("avx"):
        width = 4
    return Machine(
        cpu=llvm.get_host_cpu_name(),
        features=features,
        width=width,
        fused=bool(has.get("fma") or architecture in ("aarch64", "arm64")),
        # On parts as short as ours LLVM's plain way does nearly as well as the careful one, in a third of the time.
        plain=architecture in ("x86_64", "amd64"),
        versions=(llvmlite.__version__, ".".join(str(part) for part in llvm.llvm_version_info[:2])),
    )


def _features() -> dict[str, bool]:
    """Features of the processor by LLVM's names; none where LLVM cannot tell."""
    import llvmlite.binding as llvm

    try:
        return dict(llvm.get_host_cpu_features())
    except RuntimeError:
        return {}
