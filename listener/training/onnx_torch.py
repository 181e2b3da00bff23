"""Runs the Kokoro ONNX graph in PyTorch, on a GPU: some fifty times as fast as on a processor core.

The registries carry only an 8-bit export for processors, whose integer operators no GPU runs. So
its weights are turned back into floats (`floated`) and its some 2,000 operators are run one by one
(`Graph`). Only the operators that Kokoro uses are here, in the forms in which it uses them.
Meaning of the operators: the ONNX operator specification, opset 20, and onnxruntime's own operators
FusedMatMul, FastGelu, SkipLayerNormalization and DynamicQuantizeLSTM.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import reduce
from typing import Any

import numpy as np
import onnx
import torch
import torch.nn.functional as F
from onnx import helper, numpy_helper

Tensor = torch.Tensor
Run = Callable[..., Any]


def floated(model: onnx.ModelProto) -> onnx.ModelProto:
    """Change a model in place to multiply in floats by the same weights, where it multiplied in 8 bits."""
    graph = model.graph
    weights = {one.name: one for one in graph.initializer}
    maker = {name: node for node in graph.node for name in node.output}
    user = {name: node for node in graph.node for name in node.input}
    replaced: dict[int, onnx.NodeProto] = {}
    fresh: dict[str, np.ndarray[Any, Any]] = {}

    def value(name: str) -> np.ndarray[Any, Any]:
        return numpy_helper.to_array(weights[name])

    def whole(name: str, zero: str, scale: np.ndarray[Any, Any], axis: int) -> str:
        codes, centre = value(name).astype(np.int32), value(zero).astype(np.int32)
        shape = [-1 if at == axis else 1 for at in range(codes.ndim)]
        centred = codes - (centre.reshape(shape) if centre.size > 1 else centre.reshape(()))
        factor = scale.reshape(shape) if scale.size > 1 else scale.reshape(())
        fresh[name + ".float"] = (centred * factor).astype(np.float32)
        return name + ".float"

    for node in graph.node:
        if node.op_type in ("MatMulInteger", "ConvInteger"):
            source = maker[node.input[0]].input[0]
            after, bias = user[node.output[0]], []
            if after.op_type == "Add":
                name = next(one for one in after.input if one != node.output[0])
                while name in maker:
                    name = maker[name].input[0]
                bias, after = [name], user[after.output[0]]
            last = user[after.output[0]]
            scales = maker[next(one for one in last.input if one != after.output[0])]
            scale = value(next(one for one in scales.input if one in weights))
            kind, axis = ("MatMul", 1) if node.op_type == "MatMulInteger" else ("Conv", 0)
            name = whole(node.input[1], node.input[3], scale, axis)
            inputs = [source, name, *bias]
            replaced[id(last)] = helper.make_node(kind, inputs, list(last.output), node.name)
            replaced[id(last)].attribute.extend(node.attribute)
        elif node.op_type == "DynamicQuantizeLSTM":
            inputs = list(node.input[:7])
            for at, scale_at in ((1, 8), (2, 10)):
                inputs[at] = whole(
                    inputs[at], node.input[scale_at + 1], value(node.input[scale_at]), 0
                )
                fresh[inputs[at]] = np.ascontiguousarray(fresh[inputs[at]].transpose(0, 2, 1))
            replaced[id(node)] = helper.make_node("LSTM", inputs, list(node.output), node.name)
            replaced[id(node)].attribute.extend(node.attribute)
    nodes = [replaced.get(id(node), node) for node in graph.node]
    needed = {one.name for one in graph.output}
    kept = []
    for node in reversed(nodes):
        if needed & set(node.output):
            kept.append(node)
            needed.update(node.input)
    floats = [numpy_helper.from_array(array, name) for name, array in fresh.items()]
    values = [one for one in [*graph.initializer, *floats] if one.name in needed]
    nodes = [onnx.NodeProto.FromString(node.SerializeToString()) for node in reversed(kept)]
    del graph.node[:], graph.initializer[:]
    graph.node.extend(nodes)
    graph.initializer.extend(values)
    return model


class Graph:
    """A graph ready to run; numbers for shapes stay on the processor, sound on the GPU."""

    def __init__(self, model: onnx.ModelProto, device: str) -> None:
        self.device = torch.device(device)
        self.output = model.graph.output[0].name
        self.values: dict[str, Tensor] = {}
        for one in model.graph.initializer:
            tensor = torch.from_numpy(numpy_helper.to_array(one).copy())
            on_gpu = tensor.is_floating_point() or tensor.dtype in (torch.int8, torch.uint8)
            self.values[one.name] = tensor.to(self.device) if on_gpu else tensor
        self.steps: list[tuple[Run, list[str], list[str], list[str]]] = []
        last_use = {name: node for node in model.graph.node for name in node.input}
        for node in model.graph.node:
            attributes = {one.name: helper.get_attribute_value(one) for one in node.attribute}
            run = _OPERATORS[node.op_type](attributes)
            if node.op_type == "LSTM":
                run = _Lstm(*(self.values[node.input[at]] for at in (1, 2, 3)))
            finished = {name for name in node.input if last_use[name] is node}
            done = [name for name in finished if name and name not in self.values]
            self.steps.append((run, list(node.input), list(node.output), done))

    @torch.inference_mode()
    def __call__(self, inputs: Mapping[str, np.ndarray[Any, Any]]) -> np.ndarray[Any, Any]:
        """Return the graph's first output for these inputs."""
        live: dict[str, Any] = dict(self.values)
        live[""] = None
        for name, array in inputs.items():
            live[name] = torch.from_numpy(np.asarray(array)).to(self.device)
        for run, wanted, made, done in self.steps:
            result = run(*_one_place([live[name] for name in wanted], self.device))
            for name, value in zip(
                made, result if isinstance(result, tuple) else (result,), strict=False
            ):
                live[name] = value
            for name in done:
                del live[name]
        sound: np.ndarray[Any, Any] = live[self.output].cpu().numpy()
        return sound


def _one_place(given: list[Any], device: torch.device) -> list[Any]:
    """Mixed inputs: the few numbers on the processor follow the rest to the GPU."""
    if device.type == "cpu":
        return given
    places = {one.device.type for one in given if one is not None}
    if len(places) < 2:
        return given
    return [
        one.to(device) if one is not None and one.device.type == "cpu" and one.ndim else one
        for one in given
    ]


class _Lstm:
    """ONNX orders an LSTM's gates i, o, f, c; PyTorch i, f, c, o."""

    def __init__(self, inward: Tensor, recurrent: Tensor, bias: Tensor) -> None:
        self.size = recurrent.shape[2]
        self.module = torch.nn.LSTM(inward.shape[2], self.size, bidirectional=True)
        order = [0, 2, 3, 1]

        def turned(rows: Tensor) -> Tensor:
            return torch.cat([rows[at * self.size : (at + 1) * self.size] for at in order])

        for way, suffix in enumerate(("", "_reverse")):
            state = {
                f"weight_ih_l0{suffix}": turned(inward[way]),
                f"weight_hh_l0{suffix}": turned(recurrent[way]),
                f"bias_ih_l0{suffix}": turned(bias[way, : 4 * self.size]),
                f"bias_hh_l0{suffix}": turned(bias[way, 4 * self.size :]),
            }
            self.module.load_state_dict(state, strict=False)
        self.module.to(inward.device).eval()

    def __call__(self, sequence: Tensor, *_: Any) -> tuple[Tensor, ...]:
        out, _state = self.module(sequence)
        return (out.view(out.shape[0], out.shape[1], 2, self.size).permute(0, 2, 1, 3),)


def _plain(run: Run) -> Callable[[Mapping[str, Any]], Run]:
    """Return an operator without attributes."""
    return lambda _: run


def _ints(tensor: Tensor) -> list[int]:
    return [int(number) for number in tensor.flatten().tolist()]


def _divide(one: Tensor, other: Tensor) -> Tensor:
    exact = one.is_floating_point() or other.is_floating_point()
    return one / other if exact else torch.div(one, other, rounding_mode="trunc")


def _gather(given: Mapping[str, Any]) -> Run:
    axis = given.get("axis", 0)

    def run(data: Tensor, index: Tensor) -> Tensor:
        index = index.to(data.device)
        index = torch.where(index < 0, index + data.shape[axis], index)
        picked = data.index_select(axis, index.flatten())
        return picked.reshape([*data.shape[:axis], *index.shape, *data.shape[axis + 1 :]])

    return run


def _slice(data: Tensor, starts: Tensor, ends: Tensor, *rest: Tensor) -> Tensor:
    begin, end = _ints(starts), _ints(ends)
    axes = _ints(rest[0]) if rest else list(range(len(begin)))
    steps = _ints(rest[1]) if len(rest) > 1 else [1] * len(begin)
    where = [slice(None)] * data.ndim
    for axis, start, stop, step in zip(axes, begin, end, steps, strict=True):
        where[axis] = slice(start, stop, step)
    return data[tuple(where)]


def _unsqueeze(data: Tensor, axes: Tensor) -> Tensor:
    return reduce(lambda made, axis: made.unsqueeze(axis), sorted(_ints(axes)), data)


def _squeeze(data: Tensor, axes: Tensor) -> Tensor:
    return data.squeeze(tuple(_ints(axes)))


def _reshape(data: Tensor, shape: Tensor) -> Tensor:
    sizes = [data.shape[at] if size == 0 else size for at, size in enumerate(_ints(shape))]
    return data.reshape(sizes)


def _expand(data: Tensor, shape: Tensor) -> Tensor:
    return data * torch.ones(_ints(shape), dtype=data.dtype, device=data.device)


def _filled(given: Mapping[str, Any]) -> Run:
    value = float(numpy_helper.to_array(given["value"])[0])
    return lambda shape: torch.full(_ints(shape), value)


def _cast(given: Mapping[str, Any]) -> Run:
    kinds = {1: torch.float32, 7: torch.int64, 9: torch.bool}
    return lambda data: data.to(kinds[given["to"]])


def _convolution(given: Mapping[str, Any]) -> Run:
    options = {
        "stride": given["strides"],
        "padding": given["pads"][0],
        "dilation": given["dilations"],
        "groups": given["group"],
    }
    return lambda data, weight, bias=None: F.conv1d(data, weight, bias, **options)


def _transposed_convolution(given: Mapping[str, Any]) -> Run:
    options = {
        "stride": given["strides"],
        "padding": given["pads"][0],
        "output_padding": given.get("output_padding", [0])[0],
        "groups": given["group"],
    }
    return lambda data, weight, bias=None: F.conv_transpose1d(data, weight, bias, **options)


def _resize(given: Mapping[str, Any]) -> Run:
    mode = given["mode"].decode()

    def run(data: Tensor, _: None, scales: Tensor) -> Tensor:
        factor = float(scales.flatten()[-1])
        corners = False if mode == "linear" else None
        return F.interpolate(data, scale_factor=factor, mode=mode, align_corners=corners)

    return run


def _layer_norm(given: Mapping[str, Any]) -> Run:
    def run(data: Tensor, gain: Tensor, shift: Tensor) -> Tensor:
        return F.layer_norm(data, gain.shape, gain, shift, given["epsilon"])

    return run


def _skip_layer_norm(given: Mapping[str, Any]) -> Run:
    def run(data: Tensor, skip: Tensor, gain: Tensor, shift: Tensor) -> Tensor:
        return F.layer_norm(data + skip, gain.shape, gain, shift, given["epsilon"])

    return run


def _fused_product(given: Mapping[str, Any]) -> Run:
    def run(one: Tensor, other: Tensor) -> Tensor:
        product: Tensor = (one.transpose(-1, -2) if given["transA"] else one) @ other
        return product * float(given["alpha"])

    return run


def _mean(given: Mapping[str, Any]) -> Run:
    return lambda data, axes: data.mean(_ints(axes), keepdim=bool(given["keepdims"]))


def _sum(given: Mapping[str, Any]) -> Run:
    return lambda data, axes: data.sum(_ints(axes), keepdim=bool(given["keepdims"]))


def _reflect(data: Tensor, pads: Tensor) -> Tensor:
    sizes = _ints(pads)
    ends = (sizes[data.ndim - 1], sizes[-1])
    return F.pad(data[None], ends, "reflect")[0] if data.ndim == 2 else F.pad(data, ends, "reflect")


def _spectrum(signal: Tensor, step: Tensor, window: Tensor, length: Tensor) -> Tensor:
    flat = signal.squeeze(-1) if signal.ndim == 3 else signal
    frames = flat.unfold(1, int(length), int(step)) * window
    return torch.view_as_real(torch.fft.rfft(frames))


def _scatter(data: Tensor, index: Tensor, updates: Tensor) -> Tensor:
    made = data.clone()
    made[tuple(index.unbind(-1))] = updates
    return made


def _range(start: Tensor, stop: Tensor, step: Tensor) -> Tensor:
    return torch.arange(start.item(), stop.item(), step.item(), dtype=start.dtype)


def _split(given: Mapping[str, Any]) -> Run:
    return lambda data, sizes: tuple(data.split(_ints(sizes), given["axis"]))


def _concat(given: Mapping[str, Any]) -> Run:
    return lambda *parts: torch.cat(parts, given["axis"])


def _permute(given: Mapping[str, Any]) -> Run:
    return lambda data: data.permute(given["perm"])


def _shape(data: Tensor) -> Tensor:
    return torch.tensor(data.shape, dtype=torch.int64)


def _fast_gelu(data: Tensor, bias: Tensor) -> Tensor:
    return F.gelu(data + bias, approximate="tanh")


def _angle(slope: Tensor) -> Tensor:
    """Kokoro's atan(y / x); where both are nothing the angle is 0, as of atan2."""
    return torch.atan(torch.nan_to_num(slope, nan=0.0))


def _dequantise(data: Tensor, scale: Tensor, zero: Tensor) -> Tensor:
    return (data.float() - zero.float()) * scale


def _leaky(given: Mapping[str, Any]) -> Run:
    return lambda data: F.leaky_relu(data, given["alpha"])


def _softmax(given: Mapping[str, Any]) -> Run:
    return lambda data: data.softmax(given["axis"])


def _at_least(data: Tensor, low: Tensor, high: None = None) -> Tensor:
    del high
    return data.clamp(min=float(low))


_OPERATORS: Mapping[str, Callable[[Mapping[str, Any]], Run]] = {
    "Add": _plain(torch.add), "Sub": _plain(torch.sub), "Mul": _plain(torch.mul),
    "Div": _plain(_divide), "Pow": _plain(torch.pow), "Sqrt": _plain(torch.sqrt),
    "Sin": _plain(torch.sin), "Cos": _plain(torch.cos), "Atan": _plain(_angle),
    "Exp": _plain(torch.exp), "Tanh": _plain(torch.tanh), "Sigmoid": _plain(torch.sigmoid),
    "Floor": _plain(torch.floor), "Round": _plain(torch.round), "Equal": _plain(torch.eq),
    "Greater": _plain(torch.gt), "GreaterOrEqual": _plain(torch.ge), "Less": _plain(torch.lt),
    "And": _plain(torch.logical_and), "Where": _plain(torch.where), "MatMul": _plain(torch.matmul),
    "NonZero": _plain(lambda data: torch.nonzero(data).T), "Shape": _plain(_shape),
    "CumSum": _plain(lambda data, axis: data.cumsum(int(axis))), "Range": _plain(_range),
    "Unsqueeze": _plain(_unsqueeze), "Squeeze": _plain(_squeeze), "Reshape": _plain(_reshape),
    "Expand": _plain(_expand), "Slice": _plain(_slice), "Pad": _plain(_reflect),
    "STFT": _plain(_spectrum), "ScatterND": _plain(_scatter), "FastGelu": _plain(_fast_gelu),
    "DequantizeLinear": _plain(_dequantise), "Clip": _plain(_at_least), "LSTM": _plain(_shape),
    "Gather": _gather, "Split": _split, "Concat": _concat, "Transpose": _permute, "Cast": _cast,
    "ConstantOfShape": _filled, "Conv": _convolution, "ConvTranspose": _transposed_convolution,
    "Resize": _resize, "LayerNormalization": _layer_norm, "FusedMatMul": _fused_product,
    "SkipLayerNormalization": _skip_layer_norm, "ReduceMean": _mean, "ReduceSum": _sum,
    "LeakyRelu": _leaky, "Softmax": _softmax,
}  # fmt: skip
