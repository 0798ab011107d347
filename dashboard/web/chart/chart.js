// What the pages take from npm: one chart library and its style.
import uPlot from "uplot";
import "uplot/dist/uPlot.min.css";

window.uPlot = uPlot;
