# The two networks by torch.nn.functional, straight from a state dictionary, to compare package fasnet with.
# Question: {"nets": [{"file": path} or {"tensors": {name: {"shape": [...], "data": [...]}}}, ...],
#            "crops": [[3*80*80 numbers, ...], ...]}, for each network its crops.
# Answer: for each network, for each crop, the three logits.
import json
import sys

import torch
import torch.nn.functional as F


def tensors(net):
    if "file" in net:
        state = torch.load(net["file"], map_location="cpu")
    else:
        state = {name: torch.tensor(t["data"], dtype=torch.float32).reshape(t["shape"])
                 for name, t in net["tensors"].items()}
    return {name[len("module."):] if name.startswith("module.") else name: t for name, t in state.items()}


class Net:
    def __init__(self, state):
        self.state = state

    def norm(self, name, x):
        s = self.state
        return F.batch_norm(x, s[name + ".running_mean"], s[name + ".running_var"],
                            s[name + ".weight"], s[name + ".bias"], training=False)

    def conv(self, name, x, stride=1, pad=0, depthwise=False):
        """A convolution, its normalisation and, where the state has one, a PReLU."""
        s = self.state
        x = F.conv2d(x, s[name + ".conv.weight"], stride=stride, padding=pad,
                     groups=x.shape[1] if depthwise else 1)
        x = self.norm(name + ".bn", x)
        if name + ".prelu.weight" in s:
            x = F.prelu(x, s[name + ".prelu.weight"])
        return x

    def block(self, name, x, stride):
        y = self.conv(name + ".conv", x)
        y = self.conv(name + ".conv_dw", y, stride=stride, pad=1, depthwise=True)
        y = self.conv(name + ".project", y)
        se = name + ".se_module"
        if se + ".fc1.weight" in self.state:
            w = F.adaptive_avg_pool2d(y, 1)
            w = F.relu(self.norm(se + ".bn1", F.conv2d(w, self.state[se + ".fc1.weight"])))
            w = torch.sigmoid(self.norm(se + ".bn2", F.conv2d(w, self.state[se + ".fc2.weight"])))
            y = y * w
        return x + y if stride == 1 else y

    def __call__(self, x):
        x = self.conv("conv1", x, stride=2, pad=1)
        x = self.conv("conv2_dw", x, pad=1, depthwise=True)
        for halving, residuals in (("conv_23", "conv_3"), ("conv_34", "conv_4"), ("conv_45", "conv_5")):
            x = self.block(halving, x, 2)
            i = 0
            while f"{residuals}.model.{i}.conv.conv.weight" in self.state:
                x = self.block(f"{residuals}.model.{i}", x, 1)
                i += 1
        x = self.conv("conv_6_sep", x)
        x = self.conv("conv_6_dw", x, depthwise=True)
        x = F.linear(x.flatten(1), self.state["linear.weight"])
        x = self.norm("bn", x)
        return F.linear(x, self.state["prob.weight"])


question = json.load(sys.stdin)
answer = []
with torch.no_grad():
    for net, crops in zip(question["nets"], question["crops"]):
        x = torch.tensor(crops, dtype=torch.float32).reshape(-1, 3, 80, 80)
        answer.append(Net(tensors(net))(x).tolist())
json.dump(answer, sys.stdout)
