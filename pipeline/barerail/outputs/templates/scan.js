"use strict";
/** The scan as plotly draws it: a mesh as it is, a cloud as one small square a point, turned to its surface. */
function surfaceOf(view) {
  const { cross, unit, bytes } = vector;

  function vertices(scan) {
    const steps = bytes(scan.xyz, Uint16Array);
    const out = new Float32Array(steps.length);
    for (let i = 0; i < out.length; i++) out[i] = scan.low[i % 3] + scan.step * steps[i];
    return out;
  }

  function column(values, k) {
    const out = new Float32Array(values.length / 3);
    for (let i = 0; i < out.length; i++) out[i] = values[3 * i + k];
    return out;
  }

  function mesh(scan) {
    const p = vertices(scan);
    const t = bytes(scan.triangles, Uint32Array);
    const corner = (k) => t.filter((_, i) => i % 3 === k);
    return { x: column(p, 0), y: column(p, 1), z: column(p, 2), i: corner(0), j: corner(1), k: corner(2), intensity: bytes(scan.grey, Uint8Array) };
  }

  function squares(scan) {
    const p = vertices(scan), normal = bytes(scan.normals, Int8Array);
    const radius = bytes(scan.radius, Uint8Array), grey = bytes(scan.grey, Uint8Array);
    const n = grey.length;
    const [x, y, z, intensity] = [0, 0, 0, 0].map(() => new Float32Array(4 * n));
    const [i, j, k] = [0, 0, 0].map(() => new Uint32Array(2 * n));
    for (let q = 0; q < n; q++) {
      const o = [normal[3 * q], normal[3 * q + 1], normal[3 * q + 2]];
      const r = radius[q] / 10;
      const u = unit(cross(o, Math.abs(o[2]) < 90 ? [0, 0, 1] : [1, 0, 0]));
      const v = cross(unit(o), u);
      for (let c = 0; c < 4; c++) {
        const a = r * [1, 1, -1, -1][c] * Math.SQRT1_2, b = r * [1, -1, -1, 1][c] * Math.SQRT1_2;
        x[4 * q + c] = p[3 * q] + a * u[0] + b * v[0];
        y[4 * q + c] = p[3 * q + 1] + a * u[1] + b * v[1];
        z[4 * q + c] = p[3 * q + 2] + a * u[2] + b * v[2];
        intensity[4 * q + c] = grey[q];
      }
      i[2 * q] = i[2 * q + 1] = 4 * q;
      j[2 * q] = 4 * q + 1; k[2 * q] = j[2 * q + 1] = 4 * q + 2; k[2 * q + 1] = 4 * q + 3;
    }
    return { x, y, z, i, j, k, intensity };
  }

  return {
    type: "mesh3d", meta: { role: "scan" }, hoverinfo: view.pick ? "none" : "skip", showscale: false, cmin: 0, cmax: 255,
    colorscale: view.scan.colours ?? [[0, "#15191d"], [0.5, "#7d858a"], [1, "#f4f4ef"]],
    lighting: view.scan.colours ? { ambient: 0.5, diffuse: 0.75, specular: 0, roughness: 1, fresnel: 0 } : { ambient: 1, diffuse: 0, specular: 0, roughness: 1, fresnel: 0 },
    ...(view.scan.triangles ? mesh(view.scan) : squares(view.scan)),
  };
}
