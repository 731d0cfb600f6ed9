(function(){"use strict";
function hex(n,d){return"0x"+n.toString(16).toUpperCase().padStart(d,"0")}
function probe(svg){
var img=svg.querySelector("image.bits"),fig=svg.parentNode;if(!img||!svg.dataset.w||fig.querySelector(".probe"))return;
var g=svg.dataset.w.split(" ").map(Number),words=g[0],bits=g[1],per=g[2],avg=g[3],left=g[4],top=g[5],scale=g[6];
var out=document.createElement("output"),at=0,ctx=null,digits=Math.max(3,Math.ceil(Math.log2(Math.max(2,words))/4));
out.className="probe";out.textContent="Point at the picture, or focus it and move with the arrow keys.";svg.after(out);
svg.setAttribute("tabindex","0");
var pic=new Image();pic.onload=function(){var c=document.createElement("canvas");c.width=pic.width;c.height=pic.height;ctx=c.getContext("2d",{willReadFrequently:true});ctx.drawImage(pic,0,0)};pic.src=img.getAttribute("href");
var box=document.createElementNS("http://www.w3.org/2000/svg","rect");box.setAttribute("fill","none");box.setAttribute("stroke","currentColor");box.setAttribute("visibility","hidden");svg.appendChild(box);
function show(a){at=Math.max(0,Math.min(words-1,a));if(!ctx)return;
var row=Math.floor(at/per),y=Math.floor(row/avg),x=at%per*bits,d=ctx.getImageData(x,y,bits,1).data,s="",v=0n,i;
if(avg===1){for(i=0;i<bits;i++){var b=d[4*i+3]>127?1:0;s+=b;v=v*2n+BigInt(b)}
out.textContent=hex(at,digits)+" holds "+v.toString(16).toUpperCase().padStart(Math.ceil(bits/4),"0")+" ("+s+")"}
else{for(i=0;i<bits;i++)s+=(i?" ":"")+"D"+(bits-1-i)+" "+Math.round(d[4*i+3]/2.55)+"%";
out.textContent=hex(y*avg*per+at%per,digits)+" and "+(avg-1)+" words "+per+" apart: "+s}
box.setAttribute("x",left+x*scale-1);box.setAttribute("y",top+y*scale-1);box.setAttribute("width",bits*scale+2);box.setAttribute("height",Math.max(scale,3)+2);box.setAttribute("visibility","visible")}
svg.addEventListener("pointermove",function(e){var m=svg.getScreenCTM();if(!m)return;var p=new DOMPoint(e.clientX,e.clientY).matrixTransform(m.inverse());
var c=Math.floor((p.x-left)/scale/bits),r=Math.floor((p.y-top)/scale);if(c<0||c>=per||r<0||r*avg*per>=words)return;show(r*avg*per+c)});
svg.addEventListener("focus",function(){show(at)});
svg.addEventListener("keydown",function(e){var m={ArrowLeft:-1,ArrowRight:1,ArrowUp:-per*avg,ArrowDown:per*avg,Home:-words,End:words}[e.key];if(m===undefined)return;e.preventDefault();show(at+m)})}
document.querySelectorAll("svg.raster:not(.doubt)").forEach(probe);
if(navigator.clipboard)document.querySelectorAll("code.all").forEach(function(c){var b=document.createElement("button");b.type="button";b.className="copy";b.textContent="copy";b.setAttribute("aria-label","Copy "+(c.dataset.what||c.textContent.slice(0,40)));b.addEventListener("click",function(){navigator.clipboard.writeText(c.textContent).then(function(){b.textContent="copied"},function(){b.textContent="not copied"})});c.after(" ",b)});
})();
