# Built with clang only, which brings libFuzzer. The sources under test are compiled in, so that the fuzzer sees their
# branches.
if(CMAKE_C_COMPILER_ID MATCHES Clang)
  if(NOT TARGET fuzzers)
    add_custom_target(fuzzers)
  endif()
  set(model_room ${PROJECT_SOURCE_DIR}/daemon/model)
  set(uplink_room ${PROJECT_SOURCE_DIR}/daemon/uplink)
  set(journal_room ${PROJECT_SOURCE_DIR}/daemon/journal)
  add_executable(fuzz_line EXCLUDE_FROM_ALL ${CMAKE_CURRENT_SOURCE_DIR}/fuzz/store/fuzz_line.c
    ${uplink_room}/line_protocol.c ${uplink_room}/line_check.c)
  add_executable(fuzz_input EXCLUDE_FROM_ALL ${CMAKE_CURRENT_SOURCE_DIR}/fuzz/store/fuzz_input.c
    ${model_room}/input.c ${model_room}/codec.c ${model_room}/rating.c ${model_room}/event.c ${model_room}/verdict.c
    ${model_room}/bench.c)
  target_include_directories(fuzz_line PRIVATE ${uplink_room} ${journal_room})
  target_link_libraries(fuzz_line PRIVATE journal model)
  target_link_libraries(fuzz_input PRIVATE model)
  foreach(t fuzz_line fuzz_input)
    target_compile_options(${t} PRIVATE -fsanitize=fuzzer,address,undefined)
    target_link_options(${t} PRIVATE -fsanitize=fuzzer,address,undefined)
    add_dependencies(fuzzers ${t})
  endforeach()
endif()
