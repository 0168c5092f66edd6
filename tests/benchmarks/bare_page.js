async ([tasks, slices, reader]) => {
  document.body.style.cssText = "margin:0;background:#000";
  const { id } = (await (await fetch(`${tasks}`, { headers: reader })).json()).tasks[0];
  const { window: [black, white] } = await (await fetch(`${tasks}/${id}`, { headers: reader })).json();
  const stage = document.createElement("div");
  stage.id = "stage";
  const canvases = [0, 1].map(() => {
    const canvas = Object.assign(document.createElement("canvas"), { width: 932, height: 640 });
    canvas.style.cssText = "position:absolute;left:0;top:0;pointer-events:none";
    stage.append(canvas);
    return canvas.getContext("2d", { alpha: true });
  });
  stage.style.cssText = "position:relative;width:932px;height:640px";
  document.body.append(stage);
  window.held = [];
  for (let at = 0; at < slices; at += 1) {
    const bytes = await (await fetch(`${tasks}/${id}/slices/${at}`, { headers: reader })).arrayBuffer();
    const head = new DataView(bytes);
    held.push({ low: head.getFloat64(0, true), step: head.getFloat64(8, true), codes: new Uint16Array(bytes, 24) });
  }
  const small = Object.assign(document.createElement("canvas"), { width: 512, height: 512 });
  const pixels = new ImageData(512, 512), grey = new Uint32Array(pixels.data.buffer);
  const paint = ({ low, step, codes }) => {
    const table = new Uint32Array(65536);
    for (let code = 0; code < 65536; code += 1) {
      const level = Math.min(Math.max(((low + step * code - black) / (white - black)) * 255, 0), 255);
      table[code] = 0xff000000 | (level << 16) | (level << 8) | level;
    }
    for (let at = 0; at < grey.length; at += 1) grey[at] = table[codes[at]];
    small.getContext("2d").putImageData(pixels, 0, 0);
    canvases[0].drawImage(small, 0, 0, 932, 640);
  };
  const marks = (x, y) => {
    const context = canvases[1];
    context.clearRect(0, 0, 932, 640);
    for (let at = 0; at < 6; at += 1) {
      context.beginPath();
      context.arc(x + 30 * at, y, 6, 0, 7);
      context.moveTo(x + 30 * at, y - 100);
      context.lineTo(x + 30 * at, y + 100);
      context.strokeStyle = "#fff";
      context.stroke();
    }
    context.drawImage(small, 230, 230, 40, 40, 700, 12, 200, 200);
  };
  let shown = 0, todo = 0;
  const soon = (draw) => { todo ||= requestAnimationFrame(() => { todo = 0; draw(); }); };
  const go = (by) => {
    shown = Math.min(Math.max(shown + by, 0), slices - 1);
    soon(() => { paint(held[shown]); marks(300, 300); });
  };
  stage.addEventListener("pointermove", (event) => soon(() => marks(event.clientX, event.clientY)));
  stage.addEventListener("wheel", (event) => go(Math.sign(event.deltaY)));
  stage.addEventListener("keydown", (event) => go(event.key === "PageDown" ? 1 : -1));
  paint(held[15]);
  marks(300, 300);
}
