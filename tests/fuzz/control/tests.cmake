# Built with clang only, which brings libFuzzer: ninja fuzz_request && tests/fuzz_request -max_total_time=60
# The parser's own sources are compiled into it, so that the fuzzer sees which of their branches are taken.
if(CMAKE_C_COMPILER_ID MATCHES Clang)
  set(control_room ${PROJECT_SOURCE_DIR}/daemon/control)
  add_executable(fuzz_request EXCLUDE_FROM_ALL ${CMAKE_CURRENT_SOURCE_DIR}/fuzz/control/fuzz_request.c
    ${control_room}/protocol.c ${control_room}/plate_json.c ${control_room}/run_order.c ${control_room}/model_json.c
    ${control_room}/json_build.c ${control_room}/utc.c)
  target_include_directories(fuzz_request PRIVATE ${control_room})
  target_compile_options(fuzz_request PRIVATE -fsanitize=fuzzer,address,undefined)
  target_link_options(fuzz_request PRIVATE -fsanitize=fuzzer,address,undefined)
  target_link_libraries(fuzz_request PRIVATE model PkgConfig::jansson)
endif()
